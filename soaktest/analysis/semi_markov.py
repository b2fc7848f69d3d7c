"""A hidden semi-Markov model over runs: exact decoding and posteriors.

A *run* is the smallest stretch that cannot be split (seconds of one kind); a *segment* is a
stretch of runs in one state. A segment scores the sum of its runs under that state, the log
density of its length, and the transition into it. The last segment is cut off by the end of the
log and scores the chance of lasting at least so long.

Sources: Rabiner, Proc. IEEE 77 (1989) 257-286, section IV.D; Yu, Artif. Intell. 174 (2010) 215-243.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from soaktest.analysis.series import Floats

Duration = Callable[[Floats], Floats]
"""Lengths (n,) in seconds → log scores (n, states)."""


MOST_RUNS = 800
"""Runs that one segment may hold; longer ones are chained. Keeps the cost of a noisy log linear."""


@dataclass(frozen=True, slots=True)
class Model:
    """``start`` (states,), ``transition`` (from, to) and ``stop`` (states,) are logs;
    ``duration`` scores whole segments, ``survivor`` the last one, ``first`` the first one.
    """

    start: Floats
    transition: Floats
    duration: Duration
    survivor: Duration
    first: Duration
    longest: Floats
    """Longest segment of each state in seconds; longer ones are chained by self-transitions."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """``path`` (runs,): state of each run on the best path; ``posterior`` (runs, states); rows sum to 1."""

    path: NDArray[np.int64]
    score: float
    posterior: Floats


@dataclass(frozen=True, slots=True)
class Spans:
    """What the runs' lengths alone say of every segment; serves for any scores of the same runs.

    ``first`` (runs,) is the earliest run that a segment ending with each run may begin with; ``scores``
    holds for each run the duration scores of those segments, shape (segments, states).
    """

    first: NDArray[np.int64]
    scores: list[Floats]


def spans_of(model: Model, lengths: Floats) -> Spans:
    """Duration scores of all segments of runs of these lengths (seconds), shape (runs,), at least one."""
    n = len(lengths)
    ends = np.concatenate(([0.0], np.cumsum(lengths)))
    reach = float(model.longest.max())
    first = np.searchsorted(ends, ends[1:] - reach - 1e-9)  # earliest start of a segment ending with run j
    first = np.maximum(np.minimum(first, np.arange(n)), np.arange(n) - MOST_RUNS)
    count = np.arange(n) - first + 1
    stop = np.repeat(np.arange(n), count)
    start = np.arange(len(stop)) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
    spans = ends[stop + 1] - ends[start]
    scores = model.duration(spans)
    opening, closing = start == 0, stop == n - 1
    scores[opening] = model.first(spans[opening])
    scores[closing] = model.survivor(spans[closing])
    over = spans[:, None] > model.longest[None, :] + 1e-9
    over[start == stop] = False  # a single run longer than that still is a segment
    scores[over] = -np.inf
    return Spans(first.astype(np.int64), np.split(scores, np.cumsum(count)[:-1]))


def best_path(
    model: Model, lengths: Floats, scores: Floats, spans: Spans | None = None
) -> tuple[NDArray[np.int64], float]:
    """State of each run on the best path alone, shape (runs,), and its score; arguments as of :func:`decode`."""
    known = spans or spans_of(model, lengths)
    return _viterbi(model, _segments(known, scores), known.first)


def decode(
    model: Model, lengths: Floats, scores: Floats, temper: float = 1.0, spans: Spans | None = None
) -> Decoded:
    """Decode runs.

    Args:
        model: the model over ``states`` states.
        lengths: seconds of each run, shape (runs,), at least one.
        scores: log score of each run under each state, shape (runs, states).
        temper: evidence, durations and transitions are raised to this for the posterior only.
        spans: those of :func:`spans_of`, where they were worked out before.
    """
    known = spans or spans_of(model, lengths)
    segments = _segments(known, scores)
    path, score = _viterbi(model, segments, known.first)
    return Decoded(path, score, _posterior(model, segments, known.first, temper))


def _segments(spans: Spans, scores: Floats) -> list[Floats]:
    """Scores of the segments that end with each run: duration, and the sum of their runs' own."""
    total = np.vstack((np.zeros(scores.shape[1]), np.cumsum(scores, axis=0)))
    return [spans.scores[j] + (total[j + 1] - total[lo : j + 1]) for j, lo in enumerate(spans.first.tolist())]


def _viterbi(
    model: Model, segments: list[Floats], first: NDArray[np.int64]
) -> tuple[NDArray[np.int64], float]:
    n, states = len(first), len(model.start)
    enter = np.full((n + 1, states), -np.inf)  # best score of entering a state at run i
    enter[0] = model.start
    came = np.zeros((n + 1, states), dtype=np.int64)
    best = np.empty((n, states))
    begun = np.zeros((n, states), dtype=np.int64)
    for j in range(n):
        lo = int(first[j])
        options = enter[lo : j + 1] + segments[j]
        which = np.argmax(options, axis=0)
        begun[j] = lo + which
        best[j] = options[which, np.arange(states)]
        into = best[j][:, None] + model.transition
        came[j + 1] = np.argmax(into, axis=0)
        enter[j + 1] = into[came[j + 1], np.arange(states)]
    path = np.empty(n, dtype=np.int64)
    j, state = n - 1, int(np.argmax(best[n - 1]))
    score = float(best[n - 1, state])
    while j >= 0:
        i = int(begun[j, state])
        path[i : j + 1] = state
        state = int(came[i, state])
        j = i - 1
    return path, score


def _posterior(model: Model, segments: list[Floats], first: NDArray[np.int64], temper: float) -> Floats:
    n, states = len(first), len(model.start)
    transition = np.exp(temper * model.transition)
    enter = np.full((n + 1, states), -np.inf)
    enter[0] = temper * model.start
    leave = np.full((n, states), -np.inf)
    with np.errstate(divide="ignore"):
        for j in range(n):
            lo = int(first[j])
            leave[j] = _logsum(enter[lo : j + 1] + temper * segments[j])
            top = leave[j].max()
            enter[j + 1] = np.log(np.exp(leave[j] - top) @ transition) + top
        after = np.full((n + 1, states), -np.inf)  # of all that follows a segment that ends before run i
        after[n] = 0.0
        whole = float(logsumexp(leave[n - 1]))
        change = np.zeros((n + 1, states))
        begin = np.full((n, states), -np.inf)  # of all that follows, given a segment begins at run i
        for j in range(n - 1, -1, -1):
            if j < n - 1:
                top = begin[j + 1].max()
                after[j + 1] = np.log(transition @ np.exp(begin[j + 1] - top)) + top
            lo = int(first[j])
            onward = temper * segments[j] + after[j + 1]
            begin[lo : j + 1] = np.logaddexp(begin[lo : j + 1], onward)
            share = np.exp(np.minimum(enter[lo : j + 1] + onward - whole, 0.0))
            change[lo : j + 1] += share
            change[j + 1] -= share.sum(axis=0)
    inside = np.maximum(np.cumsum(change[:n], axis=0), 0.0)
    rows: Floats = inside / np.maximum(inside.sum(axis=1, keepdims=True), 1e-300)
    return rows


def _logsum(x: Floats) -> Floats:
    top = x.max(axis=0)
    safe = np.where(np.isfinite(top), top, 0.0)
    out: Floats = safe + np.log(np.exp(x - safe).sum(axis=0))
    return out
