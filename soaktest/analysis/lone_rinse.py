"""A programme that only rinses and spins: its one tumbling is a rinse, though no drain comes before it.

Every wash is rinsed at least once, so a cycle of one fill, a short tumbling, a drain and a long spin, whole and without heat,
washed nothing (common practice, no published source). One that was cancelled pauses before it drains, or does not spin.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from soaktest.analysis.stretches import stretches
from soaktest.vocabulary import PHASES

APART_S: Final = 90
"""Rest before and after a cycle at the least, else more of it may come, or came unheard."""
TUMBLES_S: Final = 480
"""A rinse takes no longer."""
SPINS_S: Final = 90
PAUSES_S: Final = 8
BEFORE_S: Final = 20
"""Rest between tumbling and drain at the most, a stir of so few seconds before the drain counted in."""
IDLE, FILL, WASH, HEAT, RINSE, DRAIN, SPIN = (
    PHASES.index(phase) for phase in ("idle", "fill", "wash", "heat", "rinse", "drain", "spin")
)


def lone_rinses(best: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Seconds said to be a wash that are the rinse of a programme that only rinses, shape as ``best`` (phases by second)."""
    out = np.zeros(len(best), dtype=bool)
    rests = [(a, b) for a, b in stretches(best == IDLE) if b - a >= APART_S]
    for (_, begin), (end, _) in pairwise(rests):
        cycle = best[begin:end]
        washed = np.flatnonzero(cycle == WASH)
        if not len(washed) or np.isin(cycle, (HEAT, RINSE)).any():
            continue
        last = int(washed[-1]) + 1
        after = cycle[last:]
        ran = np.flatnonzero(after != IDLE)
        whole = (
            len(washed) <= TUMBLES_S
            and int((after == SPIN).sum()) >= SPINS_S
            and not np.isin(after, (FILL, WASH)).any()
            and not np.isin(cycle[int(washed[0]) : last], (DRAIN, SPIN)).any()
            and (cycle[: int(washed[0])] == FILL).any()
            and len(ran) > 0
            and int((cycle[max(last - BEFORE_S, 0) : last + int(ran[0])] == IDLE).sum()) <= PAUSES_S
        )
        if whole:
            out[begin:end] = cycle == WASH
    return out
