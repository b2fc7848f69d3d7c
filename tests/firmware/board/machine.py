"""Stand-in for a board's pins, converter and watchdog, on MicroPython's Unix port."""

import math
import time

_level = {}
# converter input: drive pins of its pad, and the pad's voltage over the supply; the phase node's inputs have none
_PADS = {26: (2, 3, 0.0435), 27: (4, 5, 0.25), 28: (6, 7, 0.5)}
_PULLED_DOWN = (14,)


class Pin:
    OUT, IN, PULL_UP, IRQ_FALLING = 1, 0, 2, 4

    def __init__(self, number, mode=0, pull=None, value=0):
        self.number = number
        if mode == Pin.OUT:
            _level[number] = value

    def value(self, new=None):
        if new is None:
            return 0 if self.number in _PULLED_DOWN else 1
        _level[self.number] = new
        return new

    def irq(self, handler, trigger):
        self.handler = handler


class ADC:
    ATTN_11DB = 3

    def __init__(self, pin):
        self._pin = pin.number

    def read_u16(self):
        a, b, ratio = _PADS.get(self._pin, (None, None, 0.5))
        if a in _level:
            return int(65535 * (ratio if _level[a] else 1 - ratio))
        t = time.ticks_us() / 1e6  # a clamp: 2 V peak about half the supply at 50 Hz
        return int(32768 + 6000 * math.sin(2 * math.pi * 50 * t))


class WDT:
    def __init__(self, timeout):
        self.timeout = timeout

    def feed(self):
        pass
