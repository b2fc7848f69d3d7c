"""Seconds gathered into runs: the smallest stretches that a phase takes whole.

A run ends where any row of the frames changes, and where the level of a still stretch steps.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, minimum_filter1d

from soaktest.analysis.phase_frames import Frames
from soaktest.analysis.phase_shaking import COARSE_S
from soaktest.analysis.series import Floats
from soaktest.analysis.stretches import joined, middle, stretches

STROKES = 6
STROKE_S = 40
"""So many turns of the drum at the least, of so many seconds on the average, are no spin, be the pauses ever so short."""
BREATH_S = 6
"""The longest pause between two of those."""
CLOSE_S = 20
"""Seconds to either side of the middle of a stroke within which a drum at its strokes stands."""
CLIMB_LEAST_S = 32
"""A drum that gathers speed for a spin takes so many seconds at the least."""
IN_A_QUARTER = 3
"""Samples that tell the level of a quarter of that at the least."""
SURGE_S = 3
"""Seconds that a motor takes to gather speed at the least; a stroke's first is but an instant's."""


@dataclass(frozen=True, slots=True)
class Runs:
    """Stretches of seconds of one kind; arrays shaped (runs,)."""

    start: NDArray[np.int64]
    seconds: NDArray[np.int64]
    heater: NDArray[np.int8]
    turning: NDArray[np.int8]
    inlet: NDArray[np.int8]
    outlet: NDArray[np.int8]
    watts: Floats
    surge: Floats
    """Watts that the run reaches for some seconds, NaN where it is too short for that."""
    vibration: Floats
    block_s: Floats
    """Seconds of the whole block of turning that a turning run belongs to."""
    inlet_s: Floats
    """Seconds that the inlet was on at a stretch, in a run with the inlet on."""
    still_s: Floats
    """Seconds of the whole stretch at one level, without turning, heater or valve, that a still run belongs to."""
    floor: Floats
    """The least watts of the seconds close by in which the drum stands; NaN where it never does, or samples are too coarse to show."""
    climb: Floats
    """So many times the watts of its first quarter that block draws in its second half, where it draws more and more; 1 elsewhere."""
    rough: Floats
    """How much the watts of that block jump from sample to sample, as a share of their level."""


def runs_of(frames: Frames) -> Runs:
    """Cut where any row changes, and where the level of a still stretch steps."""
    n = len(frames.watts)
    level = _levels(frames)
    change = np.zeros(n, dtype=bool)
    for row in (
        frames.heater,
        frames.turning,
        frames.inlet,
        frames.outlet,
        level,
        frames.heard.astype(np.int8),
    ):
        change[1:] |= np.diff(row) != 0
    start = np.concatenate(([0], np.flatnonzero(change))).astype(np.int64)
    start = _split_long(start, n, 60, frames.turning == 1)
    stop = np.concatenate((start[1:], [n]))
    block, rough, climb = np.zeros(n), np.zeros(n), np.ones(n)
    lag = max(round(frames.step_s), 1)
    for begin, end in _blocks(frames.turning == 1, 2 if frames.step_s < 3 else 0):
        block[begin:end] = end - begin
        rough[begin:end] = _roughness(frames.watts[begin:end], lag)
        climb[begin:end] = _climb(frames.watts[begin:end], frames.step_s)
    still, filling = np.zeros(n), np.zeros(n)
    for begin, end in stretches(frames.inlet == 1):
        filling[begin:end] = end - begin
    resting = (frames.turning == 0) & (frames.heater != 1) & (frames.inlet != 1) & (frames.outlet != 1)
    for begin, end in stretches(resting):
        cuts = np.flatnonzero(np.diff(level[begin:end])) + begin + 1
        for a, b in pairwise([begin, *cuts.tolist(), end]):
            still[a:b] = b - a
    floor = _floor(frames)[np.minimum((start + stop) // 2, n - 1)]
    # A sample that straddles a change is a mean over both sides: levels are read from the inside.
    edge = int(np.ceil(frames.step_s)) if frames.step_s >= 1.0 else 0
    watts = np.array([middle(_inside(frames.watts, a, b, edge)) for a, b in zip(start, stop, strict=True)])
    surge = np.array([_surge(frames.watts[a:b], frames.step_s) for a, b in zip(start, stop, strict=True)])
    shake = np.array([middle(frames.vibration[a:b]) for a, b in zip(start, stop, strict=True)])
    return Runs(
        start, stop - start, frames.heater[start], frames.turning[start], frames.inlet[start],
        frames.outlet[start], watts, surge, shake, block[start], filling[start], still[start], floor, climb[start], rough[start],
    )  # fmt: skip


def _floor(frames: Frames) -> Floats:
    """Second by second what the machine draws at the least close by, while its drum stands."""
    stands = (frames.turning == 0) & ~np.isnan(frames.watts) & (frames.step_s < COARSE_S)
    least = minimum_filter1d(np.where(stands, frames.watts, np.inf), 2 * CLOSE_S + 1, mode="nearest")
    return np.where(np.isfinite(least), least, np.nan)


def _blocks(turning: NDArray[np.bool_], breaks: int) -> list[tuple[int, int]]:
    """Stretches of turning, joined where a sample or two show none; but what pauses again and again is strokes."""
    strokes = stretches(turning)
    starts = np.array([a for a, _ in strokes], dtype=np.int64)
    in_chain = _in_chains(strokes)
    out: list[tuple[int, int]] = []
    for begin, end in stretches(joined(turning, breaks)):
        of_it = slice(*np.searchsorted(starts, (begin, end)).tolist())
        inside = strokes[of_it]
        many = len(inside) >= STROKES and end - begin <= STROKE_S * len(inside)
        out += inside if many or all(in_chain[of_it]) else [(begin, end)]
    return out


def _in_chains(strokes: list[tuple[int, int]]) -> list[bool]:
    """Of each turn of the drum, whether it is one of many of a stroke's length, one close after the other: some pauses of a drum
    at its strokes may show in no more than a sample or two where others show in three.
    """
    out, chain = [False] * len(strokes), list[int]()
    for k, (begin, end) in enumerate(strokes):
        if chain and (end - begin > STROKE_S or begin - strokes[chain[-1]][1] > BREATH_S):
            chain = []
        if end - begin <= STROKE_S:
            chain.append(k)
        if len(chain) >= STROKES:
            for one in chain:
                out[one] = True
    return out


def _inside(x: Floats, begin: int, stop: int, edge: int) -> Floats:
    part = x[begin:stop]
    if not edge or len(part) <= edge:
        return part
    # Straddling only adds to a low level: where nothing lies inside, the least is nearest.
    return (
        part[edge:-edge]
        if len(part) > 2 * edge + 1
        else np.full(1, np.nanmin(part))
        if np.isfinite(part).any()
        else part
    )


def _surge(watts: Floats, step_s: float) -> float:
    """What more than a stroke's first instant draws: a sample speaks for all the seconds to the next."""
    seconds = max(SURGE_S, int(np.ceil(2 * step_s)))
    known = np.sort(watts[~np.isnan(watts)])
    return float(known[-seconds]) if len(known) >= seconds else float("nan")


def _climb(watts: Floats, step_s: float) -> float:
    """How much more a block draws in its second half than at first, where each quarter draws more than the one before."""
    if len(watts) < max(CLIMB_LEAST_S, 4 * IN_A_QUARTER * step_s) or np.isnan(watts).mean() > 0.1:
        return 1.0
    levels = [middle(part) for part in np.array_split(watts, 4)]
    first, second, third, last = levels
    rises = first < second < max(third, last)  # it may drift down at speed, once it got there
    return max(third, last) / max(first, 1.0) if rises else 1.0


def _roughness(watts: Floats, lag: int) -> float:
    """Median jump over one sample as a share of the median level; 0 where it cannot be said."""
    if len(watts) < 4 * lag or not np.isfinite(watts).any():
        return 0.0
    jumps = np.abs(watts[lag:] - watts[:-lag])
    if not np.isfinite(jumps).any():
        return 0.0
    return float(np.nanmedian(jumps) / max(float(np.nanmedian(watts)), 1.0))


def _split_long(
    start: NDArray[np.int64], n: int, longest: int, whole: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Cut long runs into pieces, but for those that begin in ``whole``: a drum that turns on is in one phase."""
    pieces = [
        np.arange(a, b, longest) if b - a > 2 * longest and not whole[a] else np.array([a])
        for a, b in pairwise([*start.tolist(), n])
    ]
    return np.concatenate(pieces).astype(np.int64)


def _levels(frames: Frames) -> NDArray[np.int8]:
    """A number that changes where the watts of a still stretch step by more than 3 W for some seconds."""
    still = (frames.turning == 0) & (frames.heater == 0)
    out = np.zeros(len(still), dtype=np.int8)
    if not frames.sees_heat:
        return out
    for begin, stop in stretches(still & ~np.isnan(frames.watts)):
        if stop - begin < 8:
            continue
        smooth = median_filter(frames.watts[begin:stop], size=5, mode="nearest")
        steps = np.flatnonzero(np.abs(smooth[4:] - smooth[:-4]) > 3.0) + 2
        mark, last = 0, -10
        for i in steps.tolist():
            if i - last > 4:
                mark += 1
                out[begin + i : stop] = mark % 100
            last = i
    return out
