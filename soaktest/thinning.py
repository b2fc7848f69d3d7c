"""Lines with no more points than a screen shows, broken where nothing was heard."""

from __future__ import annotations

import numpy as np
from tsdownsample import MinMaxDownsampler

from soaktest.analysis.conductance import DRY_FLOOR_S
from soaktest.analysis.series import Floats

POINTS = 1600
"""Points a line keeps on a screen, more than one for each of its pixels: the least and the largest of each stretch, so that spikes survive."""


def thin(t: Floats, v: Floats, points: int = POINTS) -> tuple[Floats, Floats]:
    """At most ``points`` of the points of a line, the last among them; both shaped (n,)."""
    if len(t) <= points:
        return t, v
    wanted = 2 * (points // 2 - 1)  # of whole pairs
    keep = MinMaxDownsampler().downsample(np.nan_to_num(v, nan=-99.0), n_out=wanted)  # type: ignore[no-untyped-call]
    keep = np.union1d(keep, len(t) - 1)  # the newest is what is looked for
    return t[keep], v[keep]


def silence(step_s: float) -> float:
    """Seconds between samples from which nothing was heard; slow, regular sampling is no silence."""
    return max(3.0, 2.5 * step_s)


def broken(t: Floats, v: Floats, silence_s: float) -> tuple[Floats, Floats]:
    """Put a NaN into each silence, so that no line is drawn over it."""
    at = np.flatnonzero(np.diff(t) > silence_s) + 1
    return np.insert(t, at, t[at - 1] + 1.0), np.insert(v, at, np.nan)


def microsiemens(log_g: Floats) -> Floats:
    """Conductance from the log level, same shape."""
    out: Floats = np.maximum(10.0**log_g - DRY_FLOOR_S, 1e-9) * 1e6
    return out
