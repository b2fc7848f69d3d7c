"""From when on a pad that was wet is dry again."""

from __future__ import annotations

import numpy as np

from soaktest.analysis.pad_noise import LEAST_RISE, Noise
from soaktest.analysis.series import Floats

DRY_AGAIN = 0.12
"""Share of an event's peak rise below which its pad is dry again."""
SMALL_DRY_AGAIN = 0.35
"""The same of a rise that is hardly more than the least: drift may hold the rest up."""


def dry_again(x: Floats, at: int, level: float, peak: float, noise: Noise) -> int | None:
    """Index from which the pad has stayed near dry for half a minute, or None."""
    rise = np.maximum.accumulate(x[at:]) - level
    least = max(min(LEAST_RISE, max(SMALL_DRY_AGAIN * peak, min(LEAST_RISE, peak) / 2)), 4 * noise.slow)
    limit = level + np.maximum(DRY_AGAIN * np.maximum(rise, peak), least)
    since = stays_below(x[at:] - limit, 0.0)
    return None if since is None else at + since


def stays_below(x: Floats, limit: float) -> int | None:
    """Index from which the pad has stayed below a level for half a minute, or None."""
    if len(x) < 30:
        return None
    hit = np.flatnonzero(np.convolve((x < limit).astype(np.float64), np.ones(30), "valid") >= 30)
    return int(hit[0]) if len(hit) else None
