"""A soak-test bench for repaired washing machines: see the leak, rank suspects, prove the repair."""

__version__ = "0.1.0"
