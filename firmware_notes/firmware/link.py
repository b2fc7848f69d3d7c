"""A node's link to its bench: packs made, numbered, kept through an outage, sent, and let go when acknowledged.

The outbox is bounded: when it is full the oldest pack goes, and its missing ``seq`` shows it.
"""

import json
import os
import random
import time

WINDOW = 8  # packs on their way at a time


class Clock:
    """The board's own clock, milliseconds since power-up, carried over the counter's wrap."""

    def __init__(self):
        self._last, self._sum = time.ticks_ms(), 0

    def ms(self):
        """Milliseconds since power-up."""
        now = time.ticks_ms()
        self._sum += time.ticks_diff(now, self._last)
        self._last = now
        return self._sum

    def sleep_ms(self, ms):
        """Wait."""
        time.sleep_ms(ms)


class Link:
    """Between a node's readings and the broker. ``make_client`` gives a fresh, unconnected client."""

    def __init__(self, bench, node, about, make_client, keep=60, clock=None):
        self.boot = "%08x" % int.from_bytes(os.urandom(4), "big")
        self.dropped = 0
        self._root = "soaktest/%s/%s/" % (bench, node)
        self._base = "%s/%s/" % (bench, node)
        self._about = json.dumps(about)
        self._make, self._keep = make_client, keep
        self._clock = clock or Clock()
        self._seq = 0
        self._outbox = []  # [seq, bytes, packet number or None]
        self._client = None
        self._wait_ms, self._next_ms = 1000, 0

    def put(self, samples, words=()):
        """Make a pack and keep it. ``samples``: channel -> (unit, [(ms of the board's clock, value), ...])."""
        now = self._clock.ms()
        parts = [
            '[{"bn":"%s","n":"boot","vs":"%s"},{"n":"seq","u":"count","v":%d},{"n":"uptime","u":"s","v":%.3f}'
            % (self._base, self.boot, self._seq, now / 1000)
        ]
        for name, (unit, values) in samples.items():
            for at, value in values:
                parts.append(
                    '{"n":"%s","u":"%s","v":%s,"t":%.3f}' % (name, unit, _number(value), (at - now) / 1000)
                )
        for word in words:
            parts.append('{"n":"phase","vs":"%s","t":0}' % word)
        self._outbox.append([self._seq, (",".join(parts) + "]").encode(), None])
        self._seq += 1
        while len(self._outbox) > self._keep:
            self._outbox.pop(0)
            self.dropped += 1

    def step(self):
        """Do what the network allows, without waiting long; True while connected."""
        try:
            if self._client is None:
                if self._clock.ms() < self._next_ms:
                    return False
                self._connect()
            self._let_go(self._client.acknowledged())
            on_the_way = 0
            for entry in self._outbox:
                if entry[2] is not None:
                    on_the_way += 1
                elif on_the_way < WINDOW:
                    entry[2] = self._client.publish(self._root + "readings", entry[1])
                    on_the_way += 1
                else:
                    break
            return True
        except OSError:
            self._lost()
            return False

    def _connect(self):
        client = self._make()
        client.connect(self._root + "presence", "gone")
        self._client, self._wait_ms = client, 1000
        client.publish(self._root + "about", self._about.encode(), True)
        client.publish(self._root + "presence", b"here", True)

    def _let_go(self, numbers):
        if numbers:
            self._outbox = [entry for entry in self._outbox if entry[2] not in numbers]

    def _lost(self):
        """Begin anew later, and send all again that nobody acknowledged."""
        if self._client is not None:
            self._client.close()
            self._client = None
        for entry in self._outbox:
            entry[2] = None
        self._next_ms = self._clock.ms() + self._wait_ms + random.getrandbits(10) * self._wait_ms // 1024
        self._wait_ms = min(2 * self._wait_ms, 60000)


def _number(value):
    text = "%.5f" % value
    text = text.rstrip("0")
    return text + "0" if text.endswith(".") else text


def read_settings(path="settings.json"):
    """The node's settings; no secret stands in the code."""
    with open(path) as file:
        return json.load(file)
