"""Run by MicroPython: a link that makes packs for hours on a broker that takes everything; prints how memory grew."""

import gc
import sys

sys.path.insert(0, sys.argv[1])

from link import Link


class Taker:
    """Acknowledges at the next look."""

    def __init__(self):
        self._n, self._taken = 0, []

    def connect(self, topic, will):
        pass

    def publish(self, topic, payload, retain=False):
        self._n = self._n % 65535 + 1
        self._taken.append(self._n)
        return self._n

    def acknowledged(self):
        out, self._taken = self._taken, []
        return out

    def close(self):
        pass


class Hand:
    """A clock moved by hand."""

    now = 0

    def ms(self):
        return self.now


clock = Hand()
link = Link("b1", "pads", {}, Taker, 60, clock)


def second():
    samples = [(clock.now + 200 * i, 0.0436) for i in range(5)]
    clock.now += 1000
    link.put(dict.fromkeys(("left", "centre", "right"), ("/", samples)))
    link.step()


for _ in range(500):
    second()
gc.collect()
before, most = gc.mem_alloc(), 0
for i in range(int(sys.argv[2])):
    second()
    if i % 5000 == 0:
        gc.collect()
        most = max(most, gc.mem_alloc())
gc.collect()
print("before", before, "after", gc.mem_alloc(), "most", most)
