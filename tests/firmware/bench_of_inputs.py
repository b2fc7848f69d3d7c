"""Run by MicroPython: the reference phase node on stand-in inputs, sped up ten times.

Arguments: firmware folder, port, milliseconds of the board's clock, which inputs are wired (comma-separated).
"""

import sys
import time
from math import pi, sin, sqrt

sys.path.insert(0, sys.argv[1])

import phase_node
from link import Clock, Link
from mqtt_small import Client

SPEED = 10


class Fast(Clock):
    """The board's clock, ten times as fast."""

    def ms(self):
        return super().ms() * SPEED

    def sleep_ms(self, ms):
        time.sleep_us(ms * 1000 // SPEED)


clock = Fast()


class Inputs:
    """Nine amperes through the clamp after ten seconds, the valve open before; 1 Wh each 1.8 s (2 kW), none after 12 s."""

    def __init__(self, wired):
        self._n, self._pulsed = 0, 0
        for name in wired:
            setattr(self, name, getattr(self, "_" + name))

    def _clamp(self):
        self._n += 1
        rms = 9.0 if clock.ms() >= 10000 else 0.05
        return 1.65 + rms * sqrt(2) * sin(2 * pi * 0.381966 * self._n)

    def _shake(self):
        return 9.81 + 0.4 * sin(2 * pi * 0.2360679 * self._n)

    def _valve(self):
        return 1 if clock.ms() < 10000 else 0

    def _pump(self):
        return 0

    def _pulses(self):
        due = min(clock.ms(), 12000) // 1800
        out, self._pulsed = due - self._pulsed, due
        return out


link = Link(
    "b1", "phase", phase_node.about({}), lambda: Client("127.0.0.1", int(sys.argv[2]), "b1-phase"), 100, clock
)
phase_node.run(link, phase_node.Signals(Inputs(sys.argv[4].split(","))), clock, 5, until_ms=int(sys.argv[3]))
for _ in range(100):
    if not link._outbox:
        break
    link.step()
    time.sleep_ms(20)
print("left", len(link._outbox), "dropped", link.dropped)
