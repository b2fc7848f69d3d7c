"""A meter that lags, undone: what it shows of a pause between two strokes is half the stroke before it.

Meters smooth what they measure by a filter of the first order, mostly. Its share is told from the falls after strokes:
what is left falls by the same share from sample to sample, whatever the levels are. The inverse filter gives the draw.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from soaktest.analysis.series import Floats

FALLS: Final = 12
"""So many falls at the least tell a lag."""
LEAST_FALL_W: Final = 8.0
BELOW: Final = 0.65
"""Share of the draw before a fall under which it is past the sample in which the stroke ended."""
LEAST: Final = 0.12
MOST: Final = 0.7
"""Shares that are left a sample later: below the one it is hardly a lag, above the other no stroke shows."""
ALIKE: Final = 0.22
"""Half of the falls leave shares so near each other, where it is the meter that lags and not the drum that runs down."""
STEADY_W: Final = 2.5
STEADY: Final = 0.02
"""Changes that are noise, and would be made larger by the inverse filter: in watts, and as a share of the level."""


def lag_of(watts: Floats, stride: int) -> float:
    """Share of a change that a meter still shows ``stride`` seconds later, 0 where none is told; shape (seconds,) at one second."""
    if len(watts) < 4 * stride:
        return 0.0
    before, first, second, third = (watts[i * stride : len(watts) - (3 - i) * stride] for i in range(4))
    fell, then = first - second, second - third
    with np.errstate(invalid="ignore"):
        falls = (
            (fell > np.maximum(LEAST_FALL_W, 0.1 * before))
            & (first < before - LEAST_FALL_W)
            & (second < BELOW * before)
            & (then > -STEADY_W)
        )
    if falls[::stride].sum() < FALLS:
        return 0.0
    shares = np.sort(then[falls] / fell[falls])
    half = len(shares) // 2
    begin = int(np.argmin(shares[half:] - shares[: len(shares) - half]))
    alike = shares[begin : begin + half + 1]
    share = float(np.median(alike))
    return share if LEAST <= share <= MOST and alike[-1] - alike[0] <= ALIKE else 0.0


def unlagged(watts: Floats, step_s: float) -> Floats:
    """What the machine drew, of what a lagging meter showed second by second; as it was where no lag is told."""
    stride = max(round(step_s), 1)
    if step_s > 1.2 and abs(step_s - stride) > 0.1 * stride:
        return watts  # samples of no whole seconds are held for seconds of more than one
    share = lag_of(watts, stride)
    if share == 0.0:
        return watts
    change = np.concatenate((np.zeros(stride), watts[stride:] - watts[:-stride]))
    change[~(np.abs(change) > np.maximum(STEADY_W, STEADY * watts))] = 0.0
    out: Floats = np.maximum(
        watts + share / (1.0 - share) * change, np.minimum(watts, float(np.nanmin(watts)))
    )
    return out
