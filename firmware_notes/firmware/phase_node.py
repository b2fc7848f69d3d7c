"""A phase node: whatever of the machine's signals is wired, and no other.

Current by a clamp around one insulated conductor of a ready-made breakout lead, vibration by an
accelerometer held by a magnet, inlet and outlet by a coil or sound pick-up, power by a meter's pulses.
"""

from rms import Rms


class Meter:
    """Watts from a meter's pulses: so much energy in the time between two of them.

    A sample that held one pulse would read thousands of watts, and the next ones nothing. While none comes the power is
    at most what a pulse now would mean, and falls with the wait.
    """

    def __init__(self, wh_per_pulse):
        self._ws = wh_per_pulse * 3600.0
        self._last, self._pulses, self._watts = None, 0, 0.0

    def watts(self, now, pulses):
        """Power at ``now`` (ms of the board's clock), ``pulses`` having come since the last call."""
        if self._last is None:
            if pulses:  # how long it took to come, nobody knows
                self._last = now
            return 0.0
        self._pulses += pulses
        waited = (now - self._last) / 1000.0
        if pulses and waited >= 1.0:  # quick ones are counted over a second, or each would be off by a sample
            self._watts = self._pulses * self._ws / waited
            self._last, self._pulses = now, 0
        elif waited >= 1.0:
            self._watts = min(self._watts, (self._pulses + 1) * self._ws / waited)
        return self._watts


class Signals:
    """Gathers what ``inputs`` gives; each of its methods may be missing.

    ``clamp()`` amperes now, ``shake()`` m/s2 along one axis or the length now, ``valve()`` and ``pump()`` 1 while
    energised, ``pulses()`` pulses of the meter since the last call (``wh_per_pulse`` watt-hours each).
    """

    def __init__(self, inputs, wh_per_pulse=1.0):
        self._inputs, self._meter = inputs, Meter(wh_per_pulse)
        self._current, self._shake = Rms(), Rms()
        self._on = {"inlet": [0, 0], "outlet": [0, 0]}

    def look(self):
        """Take one quick sample of everything; call it a few hundred times a second or more."""
        inputs = self._inputs
        if hasattr(inputs, "clamp"):
            self._current.add(inputs.clamp())
        if hasattr(inputs, "shake"):
            self._shake.add(inputs.shake())
        for name, source in (("inlet", "valve"), ("outlet", "pump")):
            if hasattr(inputs, source):
                tally = self._on[name]
                tally[0] += 1
                tally[1] += getattr(inputs, source)()

    def take(self, now):
        """Values since the last call, as ``Link.put`` wants them; times in ms of the board's clock."""
        inputs, out = self._inputs, {}
        if hasattr(inputs, "clamp"):
            out["current"] = ("A", [(now, self._current.take())])
        if hasattr(inputs, "shake"):
            out["vibration"] = ("m/s2", [(now, self._shake.take())])
        for name, source in (("inlet", "valve"), ("outlet", "pump")):
            if hasattr(inputs, source):
                looks, on = self._on[name]
                out[name] = ("/", [(now, on / looks if looks else 0.0)])
                self._on[name] = [0, 0]
        if hasattr(inputs, "pulses"):
            out["power"] = ("W", [(now, self._meter.watts(now, inputs.pulses()))])
        return out


def about(settings):
    """What the node says of itself."""
    return {
        "contract": 1,
        "kind": "phase",
        "clock": "uptime",
        "rate_hz": settings.get("rate_hz", 5),
        "firmware": "reference phase node 1",
    }


def run(link, signals, clock, rate_hz=5, feed=lambda: None, until_ms=None):
    """Look often, take a value ``rate_hz`` times a second, a pack once a second; ``feed`` is the watchdog."""
    period = 1000 // rate_hz
    last = packed = clock.ms()
    kept = {}
    while until_ms is None or clock.ms() < until_ms:
        signals.look()
        now = clock.ms()
        if now - last >= period:
            for name, (unit, values) in signals.take(now).items():
                kept.setdefault(name, (unit, []))[1].extend(values)
            last = now
        if now - packed >= 1000 and kept:
            link.put(kept)
            kept, packed = {}, now
        link.step()
        feed()
        clock.sleep_ms(1)
