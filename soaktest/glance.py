"""The quick look: what the newest packs say of each bench, before the analysis has judged them.

A pad that rises sharply over its last minute and a half is shown as wet at once, provisionally; the
analysis, which takes longer as a run grows, confirms it or takes it back.
"""

from __future__ import annotations

import math
import time
from collections import deque
from dataclasses import dataclass, field

import numpy as np

from soaktest.analysis.conductance import (
    DRY_FLOOR_S,
    conductance,
    lead_state,
    log_at,
    log_conductance,
    wetness,
)
from soaktest.analysis.series import PadWiring
from soaktest.errors import MessageFault
from soaktest.tables import MessageRow
from soaktest.thinning import microsiemens
from soaktest.vocabulary import ZONES, Zone
from soaktest.wire import Topic, decode_json, parse_about, parse_readings
from soaktest.workshop.calibration import NOT_DRY_S

KEEP_S = 900.0
"""Seconds of readings that the strip shows."""
LEARN_S, SETTLE_S = 90.0, 4.0
SHARP_RISE = 0.15
"""Decades over the last minute and a half: more than drift does."""
LEAST_S = 8e-7
"""Siemens over that level that count as water at once."""
DAMP_FROM = 0.1
"""Wetness that is more than a dry pad's, and no water: damp air, or a floor that was not wiped well."""
NOT_DRY_LEVEL = math.log10(NOT_DRY_S + DRY_FLOOR_S)
HOLD_S = 90.0
"""A provisional wetting that the analysis has not confirmed by then is taken back."""


@dataclass(slots=True)
class PadGlance:
    """The last quarter of an hour of one pad; times are arrivals (UTC seconds), values log10 siemens."""

    readings: deque[tuple[float, float]] = field(default_factory=deque)
    wet_since: float | None = None
    not_dry_since: float | None = None
    """When the readings that reach up to now began to be those of no dry pad, however long ago that is."""
    wiring: PadWiring = field(default_factory=PadWiring)
    began: float = float("-inf")
    """When the run under way began: what had risen by then is not that run's."""

    def begin(self, at: float) -> None:
        """A run began: a wetting from before it is taken back, and only a rise from there on is shown."""
        self.began = at
        if self.wet_since is not None and self.wet_since <= at:
            self.wet_since = None

    def take(self, at: float, log_g: float) -> None:
        """Take a pack's mean, and look for a sharp rise."""
        self.readings.append((at, log_g))
        while self.readings and self.readings[0][0] < at - KEEP_S:
            self.readings.popleft()
        if log_g <= NOT_DRY_LEVEL:
            self.not_dry_since = None
        elif self.not_dry_since is None:
            self.not_dry_since = at
        if at <= self.began:  # read late
            return
        before = [v for t, v in self.readings if at - LEARN_S <= t <= at - SETTLE_S]
        if len(before) < 5:
            return
        level = float(np.median(before))
        # three, so that a touch counts for nothing
        had = [v for t, v in self.readings if t <= self.began][-3:]
        if had and self.began >= at - LEARN_S:
            since = [v for t, v in self.readings if self.began < t < at]
            level = max(level, min([float(np.median(had)), *since]))  # a pad that dried meanwhile is dry
        risen = log_g - level > SHARP_RISE and 10.0**log_g - 10.0**level > LEAST_S
        if risen and self.wet_since is None:
            self.wet_since = at
        if self.wet_since is not None and at - self.wet_since > HOLD_S:
            self.wet_since = None

    @property
    def now(self) -> float | None:
        """The newest value, log10 siemens."""
        return self.readings[-1][1] if self.readings else None

    def above_since(self, level: float) -> float | None:
        """When the readings that reach up to now began to be above a level (log10 siemens), as far back as they are kept."""
        since = None
        for t, log_g in reversed(self.readings):
            if log_g <= level:
                break
            since = t
        return since

    @property
    def dry(self) -> float:
        """A low value of the last quarter of an hour, taken for dry."""
        return float(np.quantile([v for _, v in self.readings], 0.05)) if self.readings else -6.5


@dataclass(slots=True)
class Glance:
    """One bench as its newest packs show it."""

    bench: str
    pads: dict[Zone, PadGlance] = field(default_factory=lambda: {zone: PadGlance() for zone in ZONES})
    power: deque[tuple[float, float]] = field(default_factory=deque)
    last_at: float = 0.0
    wiring: dict[tuple[str, Zone], PadWiring] = field(default_factory=dict)

    def begin(self, at: float) -> None:
        """A run began at that moment (UTC seconds)."""
        for pad in self.pads.values():
            pad.begin(at)

    def take(self, row: MessageRow) -> None:
        """Take one journaled message; what cannot be read was set aside before it came here."""
        if row.kind == "presence":  # a last will is the broker's word, and says that nothing is heard
            return
        self.last_at = max(self.last_at, row.at)
        try:
            if row.kind == "about":
                about = parse_about(decode_json(row.payload))
                for zone, pad in about.pads.items():
                    self.wiring[row.node, zone] = PadWiring(pad.divider_ohm, pad.end_of_line_ohm)
            elif row.kind == "readings":
                self._take_pack(row)
        except MessageFault:
            return

    def _take_pack(self, row: MessageRow) -> None:
        pack = parse_readings(row.payload, Topic(row.bench, row.node, "readings"), row.at)
        for zone in ZONES:
            if zone in pack.samples:
                wiring = self.wiring.get((row.node, zone), PadWiring())
                self.pads[zone].wiring = wiring
                ratio = np.array(pack.samples[zone][1])
                # the last samples of a pack: a drop that fell within it is shown at once
                self.pads[zone].take(
                    row.at, float(np.median(log_conductance(conductance(ratio[-3:], wiring))))
                )
        name = "power" if "power" in pack.samples else "current" if "current" in pack.samples else None
        if name:
            watts = float(np.mean(pack.samples[name][1])) * (1.0 if name == "power" else 230.0)
            self.power.append((row.at, round(watts, 1)))
            while self.power[0][0] < row.at - KEEP_S:
                self.power.popleft()

    def pad_state(self, zone: Zone, dry: float | None = None) -> dict[str, object]:
        """What the page shows of one pad; ``dry`` is its dry level (log10 siemens) where the analysis has followed it."""
        pad = self.pads[zone]
        if pad.now is None:
            return {
                "heard": False,
                "microsiemens": None,
                "wetness": 0.0,
                "not_dry": False,
                "provisional": None,
                "lead": "unproven",
                "not_dry_since": None,
                "damp_since": None,
            }
        level = min(pad.dry if dry is None else dry, math.log10(NOT_DRY_S))
        now = float(microsiemens(np.array(pad.now)))
        return {
            "heard": time.time() - pad.readings[-1][0] < 10.0,
            "microsiemens": float(f"{now:.2g}"),
            "wetness": round(wetness(pad.now, level), 3),
            "damp_since": pad.above_since(log_at(DAMP_FROM, level)),
            "not_dry": now * 1e-6 > NOT_DRY_S,
            "provisional": pad.wet_since,
            "not_dry_since": pad.not_dry_since,
            "lead": lead_state(10.0**pad.now - DRY_FLOOR_S, pad.wiring),
        }

    def strip(self) -> dict[str, object]:
        """The last quarter of an hour for the live strip, about a point a second."""
        pads = {}
        for zone, pad in self.pads.items():
            shown = microsiemens(np.array([v for _, v in pad.readings]))
            pads[zone] = [
                [round(t, 2), float(f"{v:.3g}")] for (t, _), v in zip(pad.readings, shown, strict=True)
            ]
        return {
            "pads": pads,
            "power": [[round(t, 2), v] for t, v in self.power],
        }
