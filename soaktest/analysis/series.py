"""What the steps of the analysis hand on: time series on the bench's clock."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from soaktest.vocabulary import PHASES, Phase, Zone

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Series:
    """One channel: sample times (UTC seconds, ascending, no duplicates) and values."""

    t: Floats
    v: Floats

    def __len__(self) -> int:
        return len(self.t)

    @property
    def step_s(self) -> float:
        """Usual time between samples in seconds; NaN with fewer than two samples."""
        return float(np.median(np.diff(self.t))) if len(self.t) > 1 else float("nan")


EMPTY = Series(np.empty(0), np.empty(0))


def per_second(series: Series, began: float) -> tuple[Floats, Floats]:
    """Means over whole seconds since ``began``: middles of the seconds heard (UTC), and means."""
    if not len(series):
        return np.empty(0), np.empty(0)
    second = np.floor(series.t - began).astype(np.int64)
    heard, start, count = np.unique(second, return_index=True, return_counts=True)
    means: Floats = np.add.reduceat(series.v, start) / count
    middles: Floats = began + heard.astype(np.float64) + 0.5
    return middles, means


@dataclass(frozen=True, slots=True)
class PadWiring:
    """A pad's divider: ohms to ground, and across the pad's far end (None: not fitted)."""

    divider_ohm: float = 100_000.0
    end_of_line_ohm: float | None = None


@dataclass(frozen=True, slots=True)
class PhaseWord:
    """A node's own word for the phase: from ``t`` on (UTC seconds) the machine is in ``phase``."""

    t: float
    phase: Phase


@dataclass(frozen=True, slots=True)
class Signals:
    """All that a bench heard in one run, aligned to the bench's clock.

    ``began`` and ``ended`` bound the run (UTC seconds). ``pads`` hold raw divider
    ratios, 0 to 1. ``others`` holds the remaining channels by name (power, current,
    vibration, inlet, outlet, temperature, humidity, tilt-across, tilt-along).
    ``clock_error_s`` is the standard error of each zone's node clock.
    """

    began: float
    ended: float
    pads: dict[Zone, Series] = field(default_factory=dict)
    wiring: dict[Zone, PadWiring] = field(default_factory=dict)
    others: dict[str, Series] = field(default_factory=dict)
    phase_words: tuple[PhaseWord, ...] = ()
    clock_error_s: dict[Zone, float] = field(default_factory=dict)
    lost_packs: int = 0
    set_aside: int = 0

    def other(self, channel: str) -> Series:
        """The named channel, or an empty series where nothing was heard."""
        return self.others.get(channel, EMPTY)


@dataclass(frozen=True, slots=True)
class PhaseTrack:
    """The cycle's phases second by second.

    ``t0`` is the start of the first second (UTC); ``probability`` is shaped
    (seconds, 7) in the order of ``PHASES``, rows sum to 1; ``best`` is the index of
    the decoded phase of each second (of the best *path*, not the row's maximum);
    ``heard`` says whether any phase signal covers that second.
    """

    t0: float
    probability: Floats
    best: NDArray[np.int64]
    heard: NDArray[np.bool_]
    source: str
    """Which signals it was read from, in plain words, e.g. ``power, vibration``."""
    sees_heat: bool = True

    @property
    def seconds(self) -> int:
        return len(self.best)

    def at(self, t: float) -> Phase | None:
        """The decoded phase at UTC time ``t``; None outside the run."""
        i = int(t - self.t0)
        return PHASES[int(self.best[i])] if 0 <= i < len(self.best) else None

    @property
    def sureness(self) -> float:
        """Mean probability of the decoded phase over the heard seconds that are not idle; 1 where there are none."""
        which = np.flatnonzero(self.heard & (self.best != PHASES.index("idle")))
        return float(self.probability[which, self.best[which]].mean()) if len(which) else 1.0

    def spans(self) -> list[tuple[int, int, int]]:
        """Stretches as (index into PHASES, first second, one past the last), in order."""
        if not len(self.best):
            return []
        cuts = np.flatnonzero(np.diff(self.best)) + 1
        edges = np.concatenate(([0], cuts, [len(self.best)]))
        return [(int(self.best[a]), int(a), int(b)) for a, b in pairwise(edges)]
