"""What the pads saw: the values that pads.py finds and everyone after it reads."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from soaktest.analysis.series import Floats
from soaktest.vocabulary import PadState, Zone

SIEMENS_PER_ML: Final = (1e-5, 4e-5, 3e-4)
"""Conductance per millilitre on an open-track pad in tap water of 200 to 1,500 uS/cm: low, best, high."""
CHECKED_FACTOR: Final = 2.5
"""How far a pad that was checked with a known amount may still be off either way: water lies as it likes."""


@dataclass(frozen=True, slots=True)
class PadCheck:
    """A pad's calibration: conductance dry, and wet with a known amount; ``at`` in UTC seconds."""

    dry_siemens: float
    wet_siemens: float
    ml: float
    at: float

    @property
    def siemens_per_ml(self) -> tuple[float, float, float]:
        """Low, best, high; those of any pad where the check shows no wetting."""
        gained = self.wet_siemens - self.dry_siemens
        if gained <= 0 or self.ml <= 0:
            return SIEMENS_PER_ML
        best = gained / self.ml
        return best / CHECKED_FACTOR, best, best * CHECKED_FACTOR


@dataclass(frozen=True, slots=True)
class PadEvent:
    """One wetting of one pad; times are UTC seconds.

    ``onset`` is when the first drop shows as a step, else when half a drop was on the pad, with a 90 %
    interval; traces that crept in before stand in its low end. ``end`` is when the pad was dry again, None if it stayed wet.
    ``rise`` is the peak rise of log10 conductance over the dry level; ``strength``
    the detection statistic over its threshold (1 = just detected). ``shared`` is the
    share of the rise that the other pads show at the same time (condensation,
    splash); ``step_share`` the share of the rise that came within a few seconds of
    the onset; ``smooth_s`` the time in seconds from 10 % to 90 % of the rise.
    """

    zone: Zone
    onset: float
    onset_low: float
    onset_high: float
    end: float | None
    rise: float
    peak_wetness: float
    strength: float
    shared: float
    step_share: float
    smooth_s: float
    at_start: bool = False
    """The pad was wet when the run began."""


@dataclass(frozen=True, slots=True)
class PadTrack:
    """One pad through the run, on the pad's own 1 s grid.

    ``t`` are the grid's times (UTC, UNEVEN where the pad was silent), ``log_g`` the
    log10 of conductance in siemens, ``dry`` the followed dry level on the same scale,
    ``noise`` the standard deviation of one second's mean. ``smallest_rise`` is the
    rise of log10 conductance that the detector shows with 90 % probability.
    """

    zone: Zone
    state: PadState
    note: str
    dry_siemens: float | None
    t: Floats
    log_g: Floats
    dry: Floats
    noise: float
    smallest_rise: float
    wet_at_start: bool = False
    sound_spans: tuple[tuple[float, float], ...] = ()
    """Stretches (UTC seconds) in which the pad was heard and sound."""
    siemens_per_ml: tuple[float, float, float] = SIEMENS_PER_ML
    """Low, best, high; narrower where the pad was checked with a known amount."""
    crept_siemens: float = 0.0
    """The most that the dry level rose by in the run, less what the other pads' rises explain."""
    events: tuple[PadEvent, ...] = field(default=())
