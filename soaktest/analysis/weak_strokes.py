"""Strokes of a drum that draws no more than a pump does, told by their rhythm.

A motor with magnets in its rotor turns a drum at 25 to 60 W, where a pump draws 14 to 60. But a pump runs on, and a drum
starts and stops for minutes on end.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from soaktest.analysis.series import Floats
from soaktest.analysis.stretches import stretches

LEVELS: Final = 8
"""So many levels between rest and strokes are tried: beside an open valve a rest draws what the valve does."""
STROKE_S: Final = 42
PAUSE_S: Final = 40
"""The longest stroke, and the longest pause to the next, of gentle programmes."""
RHYTHM_S: Final = 240
"""A pump that pulses has emptied any drum sooner."""
STROKES: Final = 8
BRIEF_S: Final = 120
"""A rinse of a machine whose strokes are known may be so short,"""
ALIKE: Final = 0.05
"""and its strokes draw what they do to such a share,"""
IN_TIME: Final = 1.5
"""and last and pause as long to such a factor: a pump that pulses has another beat."""
STRONG_SHARE: Final = 0.2
"""Of the strokes of a chain, or of all, those that draw more than a pump, from which all are the drum's and it is no weak one."""
STRONG: Final = 2.0
"""Nor is one whose strokes draw so many times that."""
WEAKEST: Final = 0.6
"""A stroke draws such a share of what the others about it do: what draws less is a pump between them."""
COARSEST_S: Final = 6.5
"""From such steps on a stroke is a sample, and shows no rhythm."""


class Strokes(NamedTuple):
    """Seconds, shape (seconds,): in which the drum turns at no more watts than a pump draws, and those of all strokes of such a drum."""

    weak: NDArray[np.bool_]
    of_the_drum: NDArray[np.bool_]


def weak_strokes(watts: Floats, least: float, most: float, step_s: float) -> Strokes:
    """Strokes of a drum that turns at ``least`` watts or more, be it fewer than the ``most`` that a pump draws, now and then or always."""
    none = np.zeros(len(watts), dtype=bool)
    if step_s > COARSEST_S or not 0.0 < least < most:
        return Strokes(none, none)
    levels = np.geomspace(least, most, LEVELS)
    *weaker, strongest = [_chains(watts, level, RHYTHM_S, STROKES) for level in levels]
    known = [chain for chains in (*weaker, strongest) for chain in chains]
    weak = _seconds(known, len(watts))
    if (
        _seconds(strongest, len(watts)).sum() >= STRONG_SHARE * weak.sum()
        or np.median(watts[weak]) > STRONG * most
    ):
        return _now_and_then(watts, known, most)
    low, high = np.quantile(watts[weak], (0.2, 0.9))
    on, off = np.median([_beat(chain) for chain in known], axis=0)
    alike = []
    for level in levels:
        for chain in _chains(watts, level, BRIEF_S, STROKES // 2):
            stroke, pause = _beat(chain)
            draws = float(np.median(np.concatenate([watts[a:b] for a, b in chain])))
            if (
                low * (1 - ALIKE) <= draws <= high * (1 + ALIKE)
                and on / IN_TIME <= stroke <= on * IN_TIME
                and off / IN_TIME <= pause <= off * IN_TIME
            ):
                alike.append(chain)
    weak |= _seconds(alike, len(watts))
    return Strokes(weak, weak)


def _now_and_then(watts: Floats, known: list[list[tuple[int, int]]], most: float) -> Strokes:
    """Strokes of chains of which some draw more than a pump and some do not."""
    strokes: list[tuple[tuple[int, int], float]] = []
    for chain in known:
        draws = _draws(watts, chain)
        if np.mean(draws > most) >= STRONG_SHARE:
            strokes += _alike(chain, draws)
    weak = _seconds([[stroke for stroke, drawn in strokes if drawn <= most]], len(watts))
    return Strokes(weak, _seconds([[stroke for stroke, _ in strokes]], len(watts)))


def _chains(watts: Floats, level: float, lasting_s: float, least: int) -> list[list[tuple[int, int]]]:
    """Strokes that rise above a level, at least so many one after the other for so long: their first seconds and ends."""
    out: list[list[tuple[int, int]]] = []
    chain: list[tuple[int, int]] = []
    for begin, end in [*stretches(watts > level), (len(watts) + PAUSE_S + 1, 0)]:
        if chain and (begin - chain[-1][1] > PAUSE_S or end - begin > STROKE_S):
            chain = _in_time(chain)
            if len(chain) >= least and chain[-1][1] - chain[0][0] >= lasting_s:
                out.append(chain)
            chain = []
        if end - begin <= STROKE_S:
            chain.append((begin, end))
    return out


def _draws(watts: Floats, chain: list[tuple[int, int]]) -> Floats:
    """Watts in the middle of each stroke's."""
    first, end = chain[0][0], chain[-1][1]
    part = watts[first:end].tolist()
    return np.array([sorted(part[a - first : b - first])[(b - a) // 2] for a, b in chain])


def _alike(chain: list[tuple[int, int]], draws: Floats) -> list[tuple[tuple[int, int], float]]:
    """The strokes of a chain that draw about what the others do, or more, and last as long, each with its watts."""
    lasts = np.array([b - a for a, b in chain])
    alike = (draws >= WEAKEST * np.median(draws)) & (lasts * IN_TIME >= np.median(lasts))
    return [
        (stroke, drawn)
        for stroke, drawn, counts in zip(chain, draws.tolist(), alike.tolist(), strict=True)
        if counts
    ]


def _in_time(chain: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """A chain without what lasts longer than its strokes at its beginning and its end: a pump that pulses before or after."""
    longest = IN_TIME * float(np.median([end - begin for begin, end in chain]))
    strokes = [i for i, (begin, end) in enumerate(chain) if end - begin <= longest]
    return chain[strokes[0] : strokes[-1] + 1]


def _seconds(chains: list[list[tuple[int, int]]], seconds: int) -> NDArray[np.bool_]:
    out = np.zeros(seconds, dtype=bool)
    for chain in chains:
        for begin, end in chain:
            out[begin:end] = True
    return out


def _beat(chain: list[tuple[int, int]]) -> tuple[float, float]:
    """Seconds of a chain's strokes and of its pauses."""
    pauses = [b[0] - a[1] for a, b in pairwise(chain)]
    return float(np.median([end - begin for begin, end in chain])), float(np.median(pauses))
