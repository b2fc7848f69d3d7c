"""Meters that read an instant now and then, told from those that send a mean: when a change was is then known to half a step.

By the contract a sample speaks for the time since the one before. What switches at once in the middle of that time shows
in a mean by a level between; a reading of an instant shows the new level, and when it came lies anywhere between the two. At coarse
steps no level is flat beside a drum at its strokes; but means of stroke and pause lie between the two, and instants seldom do.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from soaktest.analysis.series import Series

LEAST_STEP_S: Final = 1.5
"""Of finer steps, half is nothing that matters."""
CHANGE_W: Final = 80.0
"""So much switches at once, be it a motor or an element;"""
STROKE_MOST_W: Final = 600.0
FLAT: Final = 0.15
"""to either side the level stays within such a share of the change."""
CHANGES: Final = 8
"""So many at the least tell which it is."""
COARSE_S: Final = 4.5
AROUND, BUSY = 4, 40
"""Samples to either side that show whether a drum is at its strokes, and so many such samples at the least tell."""
MIDDLE: Final = (0.2, 0.75)
MIXED: Final = 0.165
"""Share of them in the middle of stroke and pause: 0.06 to 0.16 of instants on real machines, 0.18 to 0.34 of their means."""
BETWEEN: Final = 0.35
"""Of a mean's changes seven in ten leave a level between, of an instant's those of a motor that gathers speed."""


def centred(watts: Series) -> Series:
    """The samples with times at the end of what they speak for: of means as they are, of instants halfway to the next.

    ``watts``: times in seconds, shape (samples,), values in watts or what comes to them.
    """
    if len(watts) < 5 or watts.step_s < LEAST_STEP_S or not _reads_instants(watts):
        return watts
    to_next = np.diff(watts.t, append=watts.t[-1] + watts.step_s)
    return Series(watts.t + 0.5 * np.minimum(to_next, 2.0 * watts.step_s), watts.v)


def _reads_instants(watts: Series) -> bool:
    """Whether large changes from one flat level to another mostly leave no sample between, or at coarse steps few samples lie between."""
    v = watts.v
    if watts.step_s >= COARSE_S:
        windows = np.sort(sliding_window_view(np.pad(v, AROUND, mode="edge"), 2 * AROUND + 1), axis=1)
        pause, stroke = windows[:, 0], windows[:, -3]  # the highest may be a start's surge
        busy = (stroke - pause > CHANGE_W) & (stroke < STROKE_MOST_W)
        if busy.sum() >= BUSY:
            place = (v[busy] - pause[busy]) / (stroke[busy] - pause[busy])
            return bool(np.mean((place > MIDDLE[0]) & (place < MIDDLE[1])) < MIXED)
    before, after = v[1:-3], v[3:-1]
    change = np.abs(after - before)
    large = change > CHANGE_W
    level = (np.abs(v[:-4] - before) < FLAT * change) & (np.abs(v[4:] - after) < FLAT * change)
    share = np.abs(v[2:-2] - before) / np.maximum(change, 1.0)
    inside = np.minimum(before, after) - FLAT * change, np.maximum(before, after) + FLAT * change
    counts = large & level & (v[2:-2] > inside[0]) & (v[2:-2] < inside[1])
    between = counts & (share > FLAT) & (share < 1.0 - FLAT)
    # a change without a sample between is met twice: with its first level before it, and with its last after
    whole = (counts & ~between).sum() / 2.0
    total = between.sum() + whole
    return bool(total >= CHANGES and between.sum() < BETWEEN * total)
