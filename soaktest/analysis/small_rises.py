"""Rises that are each too small to be confirmed: what they tell together, and when the first of them began.

A pad that shows little of each drop rises by a few hundredths of a decade at a time, and its dry level follows. Air
that grows damp does the same, but without an edge: it sets in slowly, and no second brings more than the next.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import NamedTuple

import numpy as np

from soaktest.analysis.drying import SMALL_DRY_AGAIN
from soaktest.analysis.onset_search import CREEP_S, LEVEL_S, means_of
from soaktest.analysis.pad_noise import Noise
from soaktest.analysis.series import Floats
from soaktest.analysis.stretches import stretches

STEADY_S, LATE_S, GROWN_S, GROWN_LEAST_S = 180, 20, 60, 30
"""Seconds for which the level was steady before a rise, by which an alarm may come late, and in which the rise shows, or at the least."""
EDGE, EDGE_S = 0.01, 1e-8
"""Decades and siemens that a rise brings within a minute at the least: on a pad that conducts nothing a relay's step is as many decades."""
WANDERS, SWINGS = 5.0, 3.0
"""The same in what the level wandered before, and in how far the readings swung about it."""
KEPT = 0.15
"""Share of the rise that is left until the onset that was confirmed: drops dry."""
BY_ITSELF = 0.025
"""Decades of a rise that is told by itself where its pad was dry again before more came."""
SHARP = 0.35
"""Share of the rise within some eighty seconds that comes in the first half minute; of damp air's comes a quarter or less."""
SHARPEST = 12
"""One second in so many counts as sharp."""
LITTLE, STEPS = 0.5, 3
"""Share of the least rise that so many drops, one upon the other, are told by."""
STEP_NOISES, STEP_SHARE, STEP_S, BESIDE_S = 5.0, 0.12, 4, 6
"""Times the noise, and share of the rise, that each of them brings within so many seconds, beyond what came so long before and after."""
IN_STEPS = 0.5
"""Share of a rise that its sharpest seconds bring: some 0.65 of drops, less than 0.3 of damp air with or without hum."""
SETTLED_S = 15
TRIED = 6
"""First alarms from which the rise may have begun; a longer search changes nothing and costs."""


class Drops(NamedTuple):
    """A rise made of drops: index where it began, the dry level before it and what it reached (log10 siemens)."""

    onset: int
    level: float
    top: float
    stop: int


def share_of_steps(x: Floats) -> float:
    """Of a rise, the part that came in its sharpest seconds, beyond what fell as sharply: hum that swings cancels."""
    moves = np.sort(np.diff(x))
    few = max(len(moves) // SHARPEST, 3)
    rise = float(x[-3:].mean() - x[:3].mean())
    return float(moves[-few:].sum() + moves[:few].sum()) / max(rise, 1e-6)


def by_drops(t: Floats, x: Floats, dried: int, alarms: list[int], noise: Noise) -> Drops | None:
    """Do rises that were each doubtful make a rise that counts, and did it come in steps? From the first of them that do.

    ``alarms`` are their indices, the last one now; ``dried`` is the index from which the pad was dry.
    """
    now = alarms[-1]
    stop = min(now + SETTLED_S, len(x))
    top = float(np.median(x[stop - 8 : stop]))
    recent = bisect_left(
        alarms, int(np.searchsorted(t, t[now] - CREEP_S, "right"))
    )  # a day of damp air has thousands
    for at in alarms[recent : recent + TRIED]:
        before = x[max(dried, at - GROWN_S) : max(at - 12, 0)]
        if len(before) < LATE_S:
            continue
        level = float(np.median(before))
        rise = top - level
        lasts = means_of(x[at:stop], LEVEL_S).min() - level >= noise.sigma
        least = noise.least_rise(level)
        if rise < LITTLE * least or not lasts or np.diff(x[at:stop]).min(initial=0.0) < -0.5 * rise:
            continue
        if (
            rise < least
            and _steps(x[at - LATE_S : stop], max(STEP_NOISES * noise.sigma, STEP_SHARE * rise)) < STEPS
        ):
            continue
        if share_of_steps(x[at - LATE_S : stop]) >= IN_STEPS:
            return Drops(_left_level(x, at - LATE_S, at + 1, level, noise.sigma), level, top, stop)
    return None


def _steps(x: Floats, least: float) -> int:
    """How much oftener it rose by a step of so many decades within ``STEP_S`` seconds, beyond what it did just before and after, than it fell by one."""
    moves = x[STEP_S:] - x[:-STEP_S]

    def sharp(moves: Floats) -> int:
        beside = np.maximum(moves[: -2 * BESIDE_S], moves[2 * BESIDE_S :])
        return len(stretches(moves[BESIDE_S:-BESIDE_S] - beside > least))

    return sharp(moves) - sharp(-moves)


class Edge(NamedTuple):
    """Index where a small rise began, the dry level before it (log10 siemens), and the index from which it was dry again."""

    onset: int
    level: float
    dry_again: int | None


def first_edge(x: Floats, dried: int, alarms: list[int], onset: int, sigma: float) -> Edge | None:
    """The first of the doubtful rises that left something until an onset found later, and set in with an edge."""
    edges = (_edge(x, dried, at, onset, sigma) for at in alarms)
    return next((edge for edge in edges if edge is not None), None)


def _edge(x: Floats, dried: int, at: int, onset: int, sigma: float) -> Edge | None:
    first = max(dried, at - STEADY_S)
    before, after = x[first : at - LATE_S], x[at : min(at + GROWN_S, onset)]
    if len(before) < STEADY_S // 2 or len(after) < GROWN_LEAST_S:
        return None  # GROWN_LEAST_S is twice LEVEL_S, which what follows needs
    steady = means_of(before, LEVEL_S)
    level, wander = float(steady[-1]), float(np.ptp(steady))
    rise = float(means_of(after, LEVEL_S).max()) - level
    least = max(EDGE, Noise.decades(level, EDGE_S))
    if rise < max(least, WANDERS * max(wander, sigma), SWINGS * float(np.std(before))):
        return None
    left = (means_of(x[at:onset], LEVEL_S) - level) / rise
    begun = _left_level(x, first, at, level, sigma)
    grown = means_of(x[begun : min(begun + GROWN_S + LATE_S, onset)], LEVEL_S) - level
    if left.min() < KEPT or grown[LEVEL_S] < SHARP * grown[-1]:
        return None
    if left.min() >= SMALL_DRY_AGAIN:
        return Edge(begun, level, None)
    by_itself = rise >= BY_ITSELF and len(after) == GROWN_S
    return Edge(begun, level, at + int(np.argmax(left < SMALL_DRY_AGAIN))) if by_itself else None


def _left_level(x: Floats, first: int, stop: int, level: float, sigma: float) -> int:
    """The second after the last one of a stretch at the dry level; its first where none is."""
    at_level = np.flatnonzero(x[first:stop] <= level + 1.5 * sigma)
    return first + (int(at_level[-1]) + 1 if len(at_level) else 0)
