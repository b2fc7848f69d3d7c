"""Signals → cycle phases: one decoder, with evidence from whatever the bench can hear.

Segments of runs are decoded by the semi-Markov model of the cycle. What decides from power alone is
the level between the drum's strokes (rest, valve, pump) and how long the drum turns at a stretch;
inlet, outlet and vibration, where heard, settle what they show directly. A few rounds of hard
re-estimation adapt levels to the machine at hand.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from soaktest.analysis.fill_edges import whole_fills
from soaktest.analysis.lone_rinse import lone_rinses
from soaktest.analysis.phase_frames import PAUSE_S, WATTS_PER_AMPERE, Frames, frames_of
from soaktest.analysis.phase_levels import Levels, adapted, first_levels
from soaktest.analysis.phase_model import N_STATES, PHASE_OF, cycle_model
from soaktest.analysis.phase_runs import Runs, runs_of
from soaktest.analysis.phase_scores import scores_of
from soaktest.analysis.semi_markov import Model, Spans, best_path, decode, spans_of
from soaktest.analysis.series import Floats, PhaseTrack, PhaseWord, Signals
from soaktest.analysis.spin_edges import tries, whole_spins
from soaktest.analysis.stretches import joined
from soaktest.vocabulary import PHASE_SIGNALS, PHASES, Phase

ROUNDS = 3
TEMPER = 1.0
"""Weight of the evidence in posteriors: by measure its whole, though neighbouring seconds are not independent."""
MUCH_LIKELIER = 70.0
"""Log chance by which a cycle must be likelier at an unusual power factor than at the usual one: wrong ones came to 20 or 60, right ones to 75 or 110."""
SOAK_S = 25.0
"""A drum that stands still so long in a wash or rinse is idle: pauses of under 20 s belong to what they interrupt (the contract)."""
WORD_HOLD_S = 10.0
WORD_TRUST = 0.97


def infer_phases(signals: Signals) -> PhaseTrack:
    """The phases second by second. A run without any phase signal is idle, unheard and flat."""
    t0 = float(np.floor(signals.began))
    seconds = max(int(np.ceil(signals.ended - t0)), 1)
    told = _told(signals.phase_words, t0, seconds)
    if told is not None:
        return told
    frames = frames_of(signals, t0, seconds, WATTS_PER_AMPERE[0])
    if not frames.heard.any():
        flat = np.full((seconds, len(PHASES)), 1.0 / len(PHASES))
        idle = np.zeros(seconds, dtype=np.int64)
        return PhaseTrack(t0, flat, idle, np.zeros(seconds, dtype=bool), "nothing", sees_heat=False)
    model = cycle_model(pump_first=frames.by_current or bool((frames.outlet >= 0).any()))
    first = _first_walk(model, frames)
    if frames.by_current:
        others = [frames_of(signals, t0, seconds, scale) for scale in WATTS_PER_AMPERE[1:]]
        likeliest = max((_first_walk(model, other) for other in others), key=lambda walk: walk.likely)
        first = likeliest if likeliest.likely > first.likely + MUCH_LIKELIER else first
    frames, runs, lengths, spans, levels, path, _ = first
    for k in range(ROUNDS - 1):
        if k:
            path, _ = best_path(model, lengths, scores_of(frames, runs, levels), spans)
        levels = adapted(levels, runs, path)
    decoded = decode(model, lengths, scores_of(frames, runs, levels), TEMPER, spans)
    best, by_phase = _rested(runs, levels, frames.step_s, PHASE_OF[decoded.path], decoded.posterior)
    best, by_phase = np.repeat(best, runs.seconds).astype(np.int64), np.repeat(by_phase, runs.seconds, axis=0)
    best, by_phase = _whole(best, by_phase, tries(np.repeat(decoded.path, runs.seconds)), "spin")
    best, by_phase = _whole(best, by_phase, whole_fills(best, frames, levels), "fill")
    best, by_phase = _whole(best, by_phase, whole_spins(best, frames), "spin")
    best, by_phase = _whole(best, by_phase, lone_rinses(best), "rinse")
    names = [name for name in PHASE_SIGNALS if len(signals.other(name))]
    return PhaseTrack(
        t0,
        by_phase,
        best,
        frames.heard,
        ", ".join(names),
        sees_heat=frames.sees_heat,
    )


def _whole(
    best: NDArray[np.int64], by_phase: Floats, of_it: NDArray[np.bool_], phase: Phase
) -> tuple[NDArray[np.int64], Floats]:
    """Phases and chances with what was said of another phase there said of this one."""
    out, chance, it = best.copy(), by_phase.copy(), PHASES.index(phase)
    rows, said = np.flatnonzero(of_it), best[of_it]
    chance[rows, it], chance[rows, said] = by_phase[rows, said], by_phase[rows, it]
    out[rows] = it
    return out, chance


def _rested(
    runs: Runs, levels: Levels, step_s: float, best: NDArray[np.int64], posterior: Floats
) -> tuple[NDArray[np.int64], Floats]:
    """Phase of each run (runs,) and chances (runs, phases) from states, with a soak inside a wash or rinse, and a rest
    beside a spin, drain or fill, put out as idle.

    What may be water moving unheard is no rest: where nothing tells of the pump, none beside a spin or drain, and where
    nothing tells of the valve, none beside a fill. A state of its own for them would offer the grammar a way from wash to wash around any rinse.
    """
    by_phase = np.zeros((len(best), len(PHASES)))
    for state in range(N_STATES):
        by_phase[:, PHASE_OF[state]] += posterior[:, state]
    resting = (runs.turning == 0) & (runs.heater != 1) & (runs.inlet != 1) & (runs.outlet != 1)
    over = runs.watts - levels.rest
    valve = (over > 0.5 * levels.valve) & (runs.inlet != 0)
    pump = (over > 0.5 * (levels.valve + levels.pump)) & (runs.outlet != 0)
    resting &= ~valve & ~pump & (runs.still_s >= max(SOAK_S, 4.0 * step_s))
    idle, by_watts = PHASES.index("idle"), ~np.isnan(runs.watts)
    told = {
        "drain": by_watts | (runs.outlet == 0),
        "spin": by_watts | (runs.outlet == 0),
        "fill": (by_watts & levels.valve_shows) | (runs.inlet == 0),
    }
    for phase in ("wash", "rinse", "drain", "spin", "fill"):
        of_it = PHASES.index(phase)
        rows = resting & told.get(phase, np.ones_like(resting))
        by_phase[rows, idle] += by_phase[rows, of_it]
        by_phase[rows, of_it] = 0.0
        best = np.where(rows & (best == of_it), idle, best)
    return best, by_phase


class _Walk(NamedTuple):
    """The likeliest way through a cycle, for frames by one scale; ``likely`` is its log chance up to a constant."""

    frames: Frames
    runs: Runs
    lengths: Floats
    spans: Spans
    levels: Levels
    path: NDArray[np.int64]
    likely: float


def _first_walk(model: Model, frames: Frames) -> _Walk:
    """Valve and pump are told apart by what a cycle does next, and hardly by their watts alone: each pair of levels is tried."""
    runs = runs_of(frames)
    lengths = runs.seconds.astype(np.float64)
    spans = spans_of(model, lengths)
    tried = []
    for levels in first_levels(frames, runs):
        path, score = best_path(model, lengths, scores_of(frames, runs, levels), spans)
        tried.append(_Walk(frames, runs, lengths, spans, levels, path, levels.likely + score))
    return max(tried, key=lambda walk: walk.likely)


def _without_pauses(best: NDArray[np.int64]) -> NDArray[np.int64]:
    """A node's words as the contract has them: pauses and top-ups of under 20 s belong to the wash, or whatever it is, around them."""
    out = best.copy()
    fill, idle = PHASES.index("fill"), PHASES.index("idle")
    for phase in PHASES:
        of_it = out == PHASES.index(phase)
        gaps = joined(of_it, PAUSE_S) & ~of_it
        brief = (out == idle) | ((out == fill) & (phase in ("wash", "rinse")))
        out[gaps & brief] = PHASES.index(phase)
    return out


def _told(words: tuple[PhaseWord, ...], t0: float, seconds: int) -> PhaseTrack | None:
    """A node's own word, held until the next; None where none spoke."""
    if len(words) < 3:
        return None
    t = np.array([word.t for word in words]) - t0
    said = np.array([PHASES.index(word.phase) for word in words])
    which = np.searchsorted(t, np.arange(seconds) + 0.5, side="right") - 1
    near = (which >= 0) & (np.arange(seconds) + 0.5 - t[np.maximum(which, 0)] <= WORD_HOLD_S)
    if near.mean() < 0.3:  # a node that speaks only when the phase changes
        near = which >= 0
    best = _without_pauses(np.where(which >= 0, said[np.maximum(which, 0)], 0))
    probability = np.full((seconds, len(PHASES)), (1 - WORD_TRUST) / (len(PHASES) - 1))
    probability[np.arange(seconds), best] = WORD_TRUST
    probability[~near] = 1.0 / len(PHASES)
    return PhaseTrack(t0, probability, best.astype(np.int64), near, "the node's own word")
