"""Certificates of passed runs: said, signed, printed, checked and taken back."""
