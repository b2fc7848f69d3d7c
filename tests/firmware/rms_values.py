"""Run by MicroPython: RMS of textbook waves, printed."""

import sys
from math import pi, sin

sys.path.insert(0, sys.argv[1])

from rms import Rms

N = 2000
for name, wave in (
    ("sine", lambda x: 10 * sin(x)),
    ("offset", lambda x: 1.65 + 10 * sin(x)),
    ("half", lambda x: max(10 * sin(x), 0)),
    ("full", lambda x: abs(10 * sin(x))),
    ("square", lambda x: 10 if sin(x) >= 0 else -10),
):
    rms = Rms()
    for i in range(N):
        rms.add(wave(2 * pi * 10 * (i + 0.5) / N))
    print(name, rms.take())
print("none", Rms().take())
