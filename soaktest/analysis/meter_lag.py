"""A meter that lags, undone: what it shows of a pause between two strokes is half the stroke before it.

Meters smooth what they measure by a filter of the first order, mostly. Its share is told from the falls after strokes:
what is left falls by the same share from sample to sample, whatever the levels are. The inverse filter gives the draw.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.ndimage import maximum_filter1d

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
FARTHER: Final = (2, 3, 4, 5)
AGREE: Final = 0.02
FASTER: Final = 0.12
SLOWEST: Final = 0.86
"""Of slower meters the noise would be made larger than strokes are."""
OVERSHOOT, OVERSHOOT_S = 1.7, 6
MOTOR_W: Final = 350.0
"""A drum at its strokes draws less; about its level, squares fall by about as many watts as the draw does."""
STEADY_W: Final = 2.5
STEADY: Final = 0.02
"""Changes that are noise, and would be made larger by the inverse filter: in watts, and as a share of the level."""


def lag_of(watts: Floats, stride: int, apart: int = 1) -> float:
    """Share of a change that a meter still shows ``apart`` times ``stride`` seconds later, 0 where none is told.

    Watts shaped (seconds,), a sample each ``stride`` of them.
    """
    whole = stride * (1 + 2 * apart)
    if len(watts) <= whole:
        return 0.0
    at = (0, stride, stride * (1 + apart), whole)
    before, first, second, third = (watts[k : len(watts) - whole + k] for k in at)
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


def slow_lag_of(watts: Floats, stride: int) -> float:
    """The same for a meter so slow that a change hardly shows from one sample to the next: told from samples farther apart,
    where those at several distances agree on one filter of the first order.
    """
    told = [lag_of(watts, stride, k) ** (1.0 / k) for k in FARTHER]
    found = np.array([share for share in told if share > 0.0])
    share = float(np.median(found)) if len(found) else 0.0
    agree = np.abs(found - share) < AGREE
    return share if agree.sum() >= 2 and share <= SLOWEST else 0.0


def unlagged(watts: Floats, step_s: float) -> Floats:
    """What the machine drew, of what a lagging meter showed second by second; as it was where no lag is told."""
    return _undone(watts, step_s, np.maximum(STEADY_W, STEADY * watts))


def unlagged_rms(watts: Floats, step_s: float) -> Floats:
    """The same of amperes times volts: what smooths is the current, or, in a meter of its RMS value, the square of it.

    Both fall alike to a low rest. But to undo the lag of a current makes of the square's rises far more than was ever drawn.
    """
    drawn = unlagged(watts, step_s)
    if drawn is not watts and not _overshoots(drawn, watts):
        return drawn
    usual = watts[(watts > LEAST_FALL_W) & (watts < MOTOR_W)]
    if not len(usual):
        return watts
    level = float(np.quantile(usual, 0.7))
    squares = watts * watts / level
    undone = _undone(squares, step_s, 2.0 * watts / level * np.maximum(STEADY_W, STEADY * watts))
    out: Floats = np.sqrt(undone * level)
    return watts if undone is squares else out


def _overshoots(drawn: Floats, shown: Floats) -> bool:
    """Whether much is made out to be drawn beyond what was shown close by."""
    most = maximum_filter1d(np.nan_to_num(shown), 2 * OVERSHOOT_S + 1)
    return bool(np.sum(drawn > OVERSHOOT * most) > FALLS)


def _falls_faster(level: Floats, stride: int, share: float) -> bool:
    """Whether what was shown falls, more than now and then, by more than a filter that keeps ``share`` lets any draw fall."""
    before, after = level[:-stride], level[stride:]
    clear = before > 2.0 * LEAST_FALL_W
    kept = after[clear] / before[clear]
    return bool(np.sum(kept < share - FASTER) > FALLS * stride)


def _undone(level: Floats, step_s: float, noise: Floats) -> Floats:
    """The inverse filter, where a lag is told; changes of less than ``noise`` are left as they are."""
    stride = max(round(step_s), 1)
    if step_s > 1.2 and abs(step_s - stride) > 0.1 * stride:
        return level  # samples of no whole seconds are held for seconds of more than one
    share = lag_of(level, stride) or slow_lag_of(level, stride)
    if share == 0.0 or _falls_faster(level, stride, share):
        return level
    change = np.concatenate((np.zeros(stride), level[stride:] - level[:-stride]))
    change[~(np.abs(change) > noise)] = 0.0
    out: Floats = np.maximum(
        level + share / (1.0 - share) * change, np.minimum(level, float(np.nanmin(level)))
    )
    return out
