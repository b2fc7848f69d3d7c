"""Where a fill ends: with the last of the valve's openings that follow one another while the laundry drinks.

A machine lets in water again and again as the drum begins to turn; between two strokes the open valve is seen in the
watts, beneath them it is not. To the eye, what comes within a minute of water let in belongs to the same fill.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from soaktest.analysis.phase_frames import Frames
from soaktest.analysis.phase_levels import Levels
from soaktest.analysis.stretches import stretches
from soaktest.vocabulary import PHASES

AGAIN_S: Final = 50
"""Seconds of tumbling between two openings of one fill."""
OPEN_S: Final = 3
"""Seconds for which an opening is seen at the least."""
LONGEST_S: Final = 180
"""What would go on for longer is no valve: its level is the machine's at rest, or some lamp's."""
VALVE: Final = (0.6, 1.6)
"""A valve draws so many times its usual level."""
_FILL, _WASH = PHASES.index("fill"), PHASES.index("wash")


def whole_fills(best: NDArray[np.int64], frames: Frames, levels: Levels) -> NDArray[np.bool_]:
    """Seconds of a wash that belong to the fill before it, shape (seconds,); none where inlet or outlet are heard."""
    out = np.zeros(len(best), dtype=bool)
    if not levels.valve_shows:
        return out
    over = frames.watts - levels.rest
    most = min(VALVE[1] * levels.valve, 0.5 * (levels.valve + levels.pump))
    still = (frames.turning == 0) & (frames.heater != 1) & (frames.inlet < 0) & (frames.outlet < 0)
    openings = [
        (a, b)
        for a, b in stretches(still & (over > VALVE[0] * levels.valve) & (over < most))
        if b - a >= OPEN_S
    ]
    washes = dict(stretches(best == _WASH))
    for _, end in stretches(best == _FILL):
        if end not in washes:
            continue
        last = end
        for a, b in openings:
            if end <= a < washes[end] and a - last <= AGAIN_S:
                last = min(b, washes[end])
        if last - end <= LONGEST_S:
            out[end:last] = True
    return out
