"""From what a bench heard to findings: one pure path, no disk, no wire, no clock, no dice."""
