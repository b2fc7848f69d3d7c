"""A pad node: three pads, each read both ways round, so that no metal is carried from one track to the other.

Each pad hangs between drive pin A and the converter's input, ``divider_ohm`` between the input and drive
pin B. One way round A is high and the input reads r; the other way round B is high and it reads 1 - r.
Their mean takes off the converter's offset; between samples both pins are low and nothing flows.
"""

ZONES = ("left", "centre", "right")


class Pads:
    """Reads pads through ``pins``: drive(zone, a, b) sets both pins, read(zone) gives 0..65535, wait_us(us) lets it settle."""

    def __init__(self, pins, settle_us=300):
        self._pins, self._settle = pins, settle_us

    def ratio(self, zone):
        """Voltage over supply, 0 to 1, from both ways round."""
        pins = self._pins
        pins.drive(zone, 1, 0)
        pins.wait_us(self._settle)
        forward = pins.read(zone)
        pins.drive(zone, 0, 1)
        pins.wait_us(self._settle)
        back = pins.read(zone)
        pins.drive(zone, 0, 0)
        value = (forward + 65535 - back) / 131070
        return min(max(value, 0.0), 1.0)


def about(settings):
    """What the node says of itself."""
    pads = {
        zone: {
            "divider_ohm": settings.get("divider_ohm", 100000),
            "end_of_line_ohm": settings.get("end_of_line_ohm", 2200000),
        }
        for zone in ZONES
    }
    return {
        "contract": 1,
        "kind": "pads",
        "clock": "uptime",
        "rate_hz": settings.get("rate_hz", 5),
        "pads": pads,
        "firmware": "reference pad node 1",
    }


def run(link, pads, clock, rate_hz=5, feed=lambda: None, until_ms=None):
    """Sample, make a pack a second, let the link work; ``feed`` is the watchdog. ``until_ms`` ends it, for tests."""
    period = 1000 // rate_hz
    due, packed = clock.ms(), clock.ms()
    samples = {zone: [] for zone in ZONES}
    while until_ms is None or clock.ms() < until_ms:
        now = clock.ms()
        if now >= due:
            for zone in ZONES:
                samples[zone].append((now, pads.ratio(zone)))
            due += period
            if due < now:  # the network held us up: begin anew, the gap shows by the times
                due = now + period
        if now - packed >= 1000 and samples["left"]:
            link.put({zone: ("/", samples[zone]) for zone in ZONES})
            samples = {zone: [] for zone in ZONES}
            packed = now
        link.step()
        feed()
        wait = due - clock.ms()
        if wait > 0:
            clock.sleep_ms(min(wait, 20))
