"""Node uptime → bench time, by the lower envelope of the delays.

Within one boot, arrival - uptime = offset + skew * uptime + delay with delay >= 0 and a
long tail. The line under all points that lies closest to them in the sum gives offset
and skew (Moon, Skelly and Towsley, IEEE INFOCOM 1999): it is the edge of the lower
convex hull above the mean of uptime. Packs that come late lie above it and do no harm.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from soaktest.analysis.series import Floats

LARGEST_SKEW = 300e-6
"""Crystal clocks stay within 100 ppm (the contract); beyond three times that it is no skew."""
SHORT_BOOT_S = 120.0
"""Over less than this a skew cannot be told from jitter: 100 ppm make 12 ms."""
LEAST_ERROR_S = 0.02
"""The shortest delay itself cannot be seen: some 10 to 30 ms on a local network."""
JUMP_S = 2.0
"""A node clock that steps by more than this has begun anew."""


@dataclass(frozen=True, slots=True)
class ClockLine:
    """Bench time = ``offset`` + (1 + ``skew``) * node time; ``error_s`` is its standard error."""

    offset: float
    skew: float
    error_s: float

    def bench_time(self, node_time: Floats) -> Floats:
        """UTC seconds of node times, same shape."""
        return self.offset + (1.0 + self.skew) * node_time


def align(node_time: Floats, arrival: Floats) -> ClockLine:
    """The clock line of one boot.

    Args:
        node_time: node clock when each pack was made, seconds, shape (packs,), at least one.
        arrival: bench clock when each arrived, UTC seconds, same shape.

    Source: Moon, Skelly and Towsley 1999; the hull by Andrew's monotone chain (1979).
    """
    first = float(node_time.min())
    x = node_time - first
    base = float(np.floor(arrival.min()))
    d = (arrival - base) - x
    skew = 0.0
    if float(x.max()) >= SHORT_BOOT_S and len(x) >= 10:
        skew = float(np.clip(_hull_slope(x, d), -LARGEST_SKEW, LARGEST_SKEW))
    level = float(np.min(d - skew * x))
    return ClockLine(base + level - first * (1.0 + skew), skew, _error(d - skew * x - level, len(x)))


def _hull_slope(x: Floats, d: Floats) -> float:
    """Slope of the lower hull's edge above the mean of ``x``."""
    order = np.lexsort((d, x))
    points = list(zip(x[order].tolist(), d[order].tolist(), strict=True))
    hull: list[tuple[float, float]] = []
    for px, py in points:
        if hull and hull[-1][0] == px:
            continue
        while len(hull) >= 2:
            (ax, ay), (bx, by) = hull[-2], hull[-1]
            if (bx - ax) * (py - ay) - (by - ay) * (px - ax) > 0:
                break
            hull.pop()
        hull.append((px, py))
    if len(hull) < 2:
        return 0.0
    mean = float(x.mean())
    for (ax, ay), (bx, by) in pairwise(hull):
        if ax <= mean <= bx:
            return (by - ay) / (bx - ax)
    return 0.0


PROMPTEST = 10
"""Packs whose spread tells how prompt the promptest is."""


def _error(delay: Floats, packs: int) -> float:
    """How far the line may lie above the true one, from the spread of the promptest packs alone.

    For delays with density f near zero the k-th smallest of n lies about k / (n f) above the true
    line, so the smallest about a k-th of that. A handful of packs, all of them late, tell little.
    However late the others come, this does not move; rounded to the millisecond.
    """
    if packs < 2:
        return 3.0
    k = min(PROMPTEST, packs - 1)
    spread = float(np.partition(delay, k)[k])
    return round(float(np.hypot(LEAST_ERROR_S, 3.0 * spread / k)), 3)


def split_jumps(node_time: Floats, arrival: Floats) -> NDArray[np.int64]:
    """Where a node's clock jumped within one boot: indices that begin a new stretch.

    Args:
        node_time: in the order of ``seq``, seconds, shape (packs,).
        arrival: UTC seconds, same shape.

    A step back shows by itself. A step forward shows as node time that runs ahead of
    arrival: the promptest packs after it are that much earlier than any before, by no more
    than the clock went on; where they are earlier by more, those before came late.
    """
    if len(node_time) < 2:
        return np.empty(0, dtype=np.int64)
    step = np.diff(node_time)
    back = step < -0.001
    ahead = np.zeros(len(step), dtype=bool)
    delay = arrival - node_time
    for i in np.flatnonzero(step > JUMP_S):
        before = float(delay[max(0, i - 59) : i + 1].min())
        after = float(delay[i + 1 : i + 61].min())
        gained, went_on = before - after, float(step[i])
        ahead[i] = max(JUMP_S, 0.5 * went_on) < gained < went_on + LEAST_ERROR_S
    return np.flatnonzero(back | ahead).astype(np.int64) + 1
