"""Run by MicroPython: the reference pad node on stand-in pins that read a file, with the board's clock sped up.

Arguments: firmware folder, readings file, port, speed, node's name, how many milliseconds of the board's clock, keep.
"""

import gc
import sys
import time
from array import array

sys.path.insert(0, sys.argv[1])

import pad_node
from link import Clock, Link
from mqtt_small import Client


class Fast(Clock):
    """The board's clock, ``speed`` times as fast."""

    def __init__(self, speed):
        super().__init__()
        self._speed = speed

    def ms(self):
        return int(super().ms() * self._speed)

    def sleep_ms(self, ms):
        time.sleep_us(int(ms * 1000 / self._speed))


class Pins:
    """Pads of known ratio: what a divider would give, both ways round, with an offset of the converter."""

    def __init__(self, path, clock):
        self._rows = array("H")
        with open(path) as file:
            for line in file:
                for x in line.split():
                    self._rows.append(int(float(x) * 65535 + 0.5))
        self._clock, self._a, self.charge = clock, {}, 0

    def drive(self, zone, a, b):
        self._a[zone] = a
        self.charge += a - b

    def read(self, zone):
        row = min(self._clock.ms() // 200, len(self._rows) // 3 - 1)
        r = self._rows[3 * row + pad_node.ZONES.index(zone)]
        return min((r if self._a[zone] else 65535 - r) + 150, 65535)

    def wait_us(self, us):
        pass


folder, readings, port, speed, node, until, keep = (
    sys.argv[1],
    sys.argv[2],
    int(sys.argv[3]),
    float(sys.argv[4]),
    sys.argv[5],
    int(sys.argv[6]),
    int(sys.argv[7]),
)
clock = Fast(speed)
pins = Pins(readings, clock)
link = Link(
    "b1",
    node,
    pad_node.about({}),
    lambda: Client(
        "127.0.0.1",
        port,
        "b1-" + node,
        tls=len(sys.argv) > 8,
        trust=sys.argv[9] if len(sys.argv) > 9 else None,
    ),
    keep,
    clock,
)
gc.collect()
before = gc.mem_alloc()
pad_node.run(link, pad_node.Pads(pins), clock, 5, until_ms=until)
for _ in range(100):
    if not link._outbox:
        break
    link.step()
    time.sleep_ms(20)
gc.collect()
print(
    "charge",
    pins.charge,
    "grown",
    gc.mem_alloc() - before,
    "left",
    len(link._outbox),
    "dropped",
    link.dropped,
    "boot",
    link.boot,
)
