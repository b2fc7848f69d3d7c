"""A soak-test bench for repaired washing machines."""
