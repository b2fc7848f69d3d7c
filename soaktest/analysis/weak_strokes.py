"""Strokes of a drum that draws no more than a pump does, told by their rhythm.

A motor with magnets in its rotor turns a drum at 25 to 60 W, where a pump draws 14 to 60. But a pump runs on, and a drum
starts and stops for minutes on end.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from soaktest.analysis.series import Floats
from soaktest.analysis.stretches import stretches

LEVELS: Final = 8
"""So many levels between rest and strokes are tried: beside an open valve a rest draws what the valve does."""
STROKE_S: Final = 32
PAUSE_S: Final = 40
"""The longest stroke, and the longest pause to the next, of gentle programmes."""
RHYTHM_S: Final = 240
"""A pump that pulses has emptied any drum sooner."""
STROKES: Final = 8
BRIEF_S: Final = 120
"""A rinse of a machine whose strokes are known may be so short,"""
ALIKE: Final = 0.05
"""and its strokes draw what they do to such a share."""
STRONG_SHARE: Final = 0.2
"""Of the strokes at any level, those that rise above the highest from which the drum is no weak one."""
COARSEST_S: Final = 3.0
"""From such steps on a stroke is a sample or two, and shows no rhythm."""


def weak_strokes(watts: Floats, least: float, most: float, step_s: float) -> NDArray[np.bool_]:
    """Seconds in which the drum turns at ``least`` to ``most`` watts, shape as ``watts``; none where its strokes draw more."""
    none = np.zeros(len(watts), dtype=bool)
    if step_s > COARSEST_S or not 0.0 < least < most:
        return none
    levels = np.geomspace(least, most, LEVELS)
    weak: NDArray[np.bool_] = np.logical_or.reduce(
        [_strokes(watts, level, RHYTHM_S, STROKES) for level in levels]
    )
    if _strokes(watts, most, RHYTHM_S, STROKES).sum() >= STRONG_SHARE * weak.sum():
        return none
    low, high = np.quantile(watts[weak], (0.2, 0.9))
    brief = np.logical_or.reduce([_strokes(watts, level, BRIEF_S, STROKES // 2) for level in levels])
    for begin, end in stretches(brief & ~weak):
        weak[begin:end] = low * (1 - ALIKE) <= float(np.median(watts[begin:end])) <= high * (1 + ALIKE)
    return weak


def _strokes(watts: Floats, level: float, lasting_s: float, least: int) -> NDArray[np.bool_]:
    """Seconds of strokes that rise above a level: at least so many, one after the other for so long."""
    out = np.zeros(len(watts), dtype=bool)
    chain: list[tuple[int, int]] = []
    for begin, end in [*stretches(watts > level), (len(watts) + PAUSE_S + 1, 0)]:
        if chain and (begin - chain[-1][1] > PAUSE_S or end - begin > STROKE_S):
            if len(chain) >= least and chain[-1][1] - chain[0][0] >= lasting_s:
                for a, b in chain:
                    out[a:b] = True
            chain = []
        if end - begin <= STROKE_S:
            chain.append((begin, end))
    return out
