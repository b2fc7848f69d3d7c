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
STRONG_SHARE: Final = 0.5
"""Of the strokes at any level, those that rise above what any pump draws from which the drum is no weak one."""
COARSEST_S: Final = 3.0
"""From such steps on a stroke is a sample or two, and shows no rhythm."""


def weak_strokes(watts: Floats, least: float, most: float, step_s: float) -> NDArray[np.bool_]:
    """Seconds in which the drum turns at ``least`` to ``most`` watts, shape as ``watts``; none where its strokes draw more."""
    none = np.zeros(len(watts), dtype=bool)
    if step_s > COARSEST_S or not 0.0 < least < most:
        return none
    found = [_strokes(watts, level) for level in np.geomspace(least, most, LEVELS)]
    weak = np.logical_or.reduce(found)
    return none if found[-1].sum() > STRONG_SHARE * weak.sum() else weak


def _strokes(watts: Floats, level: float) -> NDArray[np.bool_]:
    """Seconds of the strokes that rise above a level, many one after the other."""
    out = np.zeros(len(watts), dtype=bool)
    chain: list[tuple[int, int]] = []
    for begin, end in [*stretches(watts > level), (len(watts) + PAUSE_S + 1, 0)]:
        if chain and (begin - chain[-1][1] > PAUSE_S or end - begin > STROKE_S):
            if len(chain) >= STROKES and chain[-1][1] - chain[0][0] >= RHYTHM_S:
                for a, b in chain:
                    out[a:b] = True
            chain = []
        if end - begin <= STROKE_S:
            chain.append((begin, end))
    return out
