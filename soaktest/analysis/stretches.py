"""Stretches of seconds: where a row holds, across short breaks, and what is usual in them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from soaktest.analysis.series import Floats


def stretches(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First second and one past the last of each stretch of true, in order."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def joined(mask: NDArray[np.bool_], breaks: int) -> NDArray[np.bool_]:
    """The mask with breaks of up to so many seconds between two stretches filled."""
    out = mask.copy()
    for begin, stop in stretches(~mask):
        if begin > 0 and stop < len(mask) and stop - begin <= breaks:
            out[begin:stop] = True
    return out


def middle(x: Floats) -> float:
    """Median of what is known of ``x``; NaN where nothing is."""
    known = x[~np.isnan(x)]
    return float(np.median(known)) if len(known) else float("nan")
