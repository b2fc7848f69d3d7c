"""A physical model of a bench that speaks the real wire; seeded, and with its truth kept.

It shares nothing with the analysis but the contract, so that what is proved on it is proved.
"""
