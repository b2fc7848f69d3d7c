"""Signals → cycle phases: one decoder, with evidence from whatever the bench can hear.

Segments of runs are decoded by the semi-Markov model of the cycle. What decides from power alone is
the level between the drum's strokes (rest, valve, pump) and how long the drum turns at a stretch;
inlet, outlet and vibration, where heard, settle what they show directly. A few rounds of hard
re-estimation adapt levels to the machine at hand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from soaktest.analysis.phase_model import N_STATES, PHASE_OF, S, cycle_model
from soaktest.analysis.phase_runs import LOW_W, WATTS_PER_AMPERE, Frames, Runs, frames_of, runs_of
from soaktest.analysis.semi_markov import Model, Spans, best_path, decode, spans_of
from soaktest.analysis.series import Floats, PhaseTrack, PhaseWord, Signals
from soaktest.vocabulary import PHASE_SIGNALS, PHASES

ROUNDS = 3
TEMPER = 0.5
"""Evidence of neighbouring seconds is not independent: posteriors from half of it are honest."""
VALVE_W, PUMP_W = 6.5, 18.0
"""Usual levels over rest: a valve draws 5 to 15 W, a pump 14 to 32 W."""
VALVE_RANGES_W = ((3.0, 5.5), (5.5, 8.5), (8.5, 12.5), (12.5, 15.0))
PUMP_RANGE_W = (9.0, 34.0)
PAIR_WEIGHT = 0.3
"""Of what the levels alone say of a pair, beside what a cycle decoded with it says: the same stretches speak in both."""
MUCH_LIKELIER = 40.0
"""Log chance by which a cycle must be likelier at an unusual power factor than at the usual one: wrong ones came to 20 or 60, right ones to 110."""
VALVE_HIDDEN = -3.0
"""Log chance that an open valve does not raise the current."""
LEVEL_SPREAD = 0.22
"""Spread of the log of a level within one machine: a pump draws less as it runs dry."""
REST_ABOVE_W = 9.0
"""Electronics awake draw no more than this above the lowest level of the log."""
TOP_UP_S = 20.0
"""Water let in for less belongs to the wash or rinse around it (the contract of the phases)."""
RESTING = 10.0
"""Log chance against a drum that stands for ever in a wash."""
RESTS_S = (120.0, 300.0)
"""Up to such lengths it is a soak, or anybody's guess."""
SOAK_S = 25.0
"""A drum that stands still so long in a wash or rinse is idle: pauses of under 20 s belong to what they interrupt (the contract)."""
LONG_IN_DRAIN = 4.0
"""Log chance against a drum that turns on and on while water is let out."""
ALIASED_S = 1.8
MERGED_S = 4.0
"""Steps from which a lone sample beside strokes is mostly made of them."""
MIXED_SHARE = 0.6
"""Of lone samples at finer steps, those that a stroke has raised."""
ROUGH = 0.22
"""From such steps on, a block whose samples jump by this share is strokes seen coarsely."""
WORD_HOLD_S = 10.0
WORD_TRUST = 0.97


@dataclass(frozen=True, slots=True)
class _Levels:
    """The machine's own levels in watts: rest between strokes, valve and pump above rest, strokes."""

    rest: float
    valve: float
    pump: float
    valve_spread: float
    pump_spread: float
    stroke: float
    shake: float
    valve_shows: bool
    """Whether an open valve raises the level at all: beside a filter's own current it may not."""
    likely: float
    """Log chance of the pair of levels before any cycle is looked at, up to a constant."""


# Log chance of what a still stretch draws, per state: rest, valve, pump.
_SHARES = {
    "idle": (0.95, 0.03, 0.02),
    "fill1": (0.12, 0.82, 0.06),
    "fill2": (0.12, 0.82, 0.06),
    "wash": (0.92, 0.05, 0.03),
    "rinse": (0.92, 0.05, 0.03),
    "heat": (0.80, 0.15, 0.05),
    "drain": (0.06, 0.08, 0.86),
    "spin": (0.30, 0.10, 0.60),
    "loosen": (0.95, 0.03, 0.02),
}


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
    model = cycle_model()
    first = _first_walk(model, frames)
    if len(signals.other("current")) and not len(signals.other("power")):
        others = [frames_of(signals, t0, seconds, scale) for scale in WATTS_PER_AMPERE[1:]]
        best = max((_first_walk(model, other) for other in others), key=lambda walk: walk.likely)
        first = best if best.likely > first.likely + MUCH_LIKELIER else first
    frames, runs, lengths, spans, levels, path, _ = first
    for k in range(ROUNDS - 1):
        if k:
            path, _ = best_path(model, lengths, _scores(frames, runs, levels), spans)
        levels = _adapted(levels, runs, path)
    decoded = decode(model, lengths, _scores(frames, runs, levels), TEMPER, spans)
    best, by_phase = _rested(runs, levels, frames.step_s, PHASE_OF[decoded.path], decoded.posterior)
    names = [name for name in PHASE_SIGNALS if len(signals.other(name))]
    return PhaseTrack(
        t0,
        np.repeat(by_phase, runs.seconds, axis=0),
        np.repeat(best, runs.seconds).astype(np.int64),
        frames.heard,
        ", ".join(names),
        sees_heat=frames.sees_heat,
    )


def _rested(
    runs: Runs, levels: _Levels, step_s: float, best: NDArray[np.int64], posterior: Floats
) -> tuple[NDArray[np.int64], Floats]:
    """Phase of each run (runs,) and chances (runs, phases) from states, with a soak inside a wash or rinse put out as idle.

    A state of its own for it would offer the grammar a way from wash to wash around any rinse.
    """
    by_phase = np.zeros((len(best), len(PHASES)))
    for state in range(N_STATES):
        by_phase[:, PHASE_OF[state]] += posterior[:, state]
    resting = (runs.turning == 0) & (runs.heater != 1) & (runs.inlet != 1) & (runs.outlet != 1)
    resting &= ~(runs.watts > levels.rest + 0.5 * levels.valve) & (runs.still_s >= max(SOAK_S, 4.0 * step_s))
    idle, tumbling = PHASES.index("idle"), [PHASES.index("wash"), PHASES.index("rinse")]
    by_phase[resting, idle] += by_phase[np.ix_(resting, tumbling)].sum(axis=1)
    by_phase[np.ix_(resting, tumbling)] = 0.0
    return np.where(resting & np.isin(best, tumbling), idle, best), by_phase


class _Walk(NamedTuple):
    """The likeliest way through a cycle, for frames by one scale; ``likely`` is its log chance up to a constant."""

    frames: Frames
    runs: Runs
    lengths: Floats
    spans: Spans
    levels: _Levels
    path: NDArray[np.int64]
    likely: float


def _first_walk(model: Model, frames: Frames) -> _Walk:
    """Valve and pump are told apart by what a cycle does next, and hardly by their watts alone: each pair of levels is tried."""
    runs = runs_of(frames)
    lengths = runs.seconds.astype(np.float64)
    spans = spans_of(model, lengths)
    tried = []
    for levels in _first_levels(frames, runs):
        path, score = best_path(model, lengths, _scores(frames, runs, levels), spans)
        tried.append(_Walk(frames, runs, lengths, spans, levels, path, levels.likely + score))
    return max(tried, key=lambda walk: walk.likely)


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
    best = np.where(which >= 0, said[np.maximum(which, 0)], 0)
    probability = np.full((seconds, len(PHASES)), (1 - WORD_TRUST) / (len(PHASES) - 1))
    probability[np.arange(seconds), best] = WORD_TRUST
    probability[~near] = 1.0 / len(PHASES)
    return PhaseTrack(t0, probability, best.astype(np.int64), near, "the node's own word")


def _first_levels(frames: Frames, runs: Runs) -> list[_Levels]:
    """What the levels may be, one for each range of the valve's.

    Rest is the commonest level of short still stretches beside strokes, else the lowest there is.
    """
    still = (runs.turning == 0) & (runs.heater != 1) & ~np.isnan(runs.watts)
    between = (
        still & (runs.seconds >= max(3.0, 1.6 * frames.step_s)) & (runs.seconds <= 40) & _beside_turning(runs)
    )
    pool = runs.watts[between] if between.sum() >= 8 else runs.watts[still]
    known = frames.watts[~np.isnan(frames.watts)]
    floor = float(np.quantile(known, 0.02)) if len(known) else 0.0
    near = pool[pool < floor + REST_ABOVE_W]  # coarse samples between strokes are means over both
    rest = _mode(near) if len(near) >= 4 else floor + 2.0
    turning = (runs.turning == 1) & ~np.isnan(runs.watts)
    stroke = float(np.median(runs.watts[turning])) if turning.any() else 150.0
    shaking = (runs.turning == 1) & ~np.isnan(runs.vibration)
    shake = float(np.median(runs.vibration[shaking])) if shaking.any() else float("nan")
    pairs = _two_levels(runs.watts[still] - rest, runs.seconds[still].astype(np.float64))
    if np.isfinite(frames.strong_pump):
        pairs = [(valve, frames.strong_pump - rest, likely) for valve, _, likely in pairs[:1]]
    elif _heard_directly(runs) or not len(known):
        pairs = pairs[:1]  # levels hardly speak beside inlet and outlet
    found = [
        _Levels(rest, valve, pump, max(0.4 * valve, 1.8), max(0.3 * pump, 3.0), stroke, shake, True, likely)
        for valve, pump, likely in pairs
    ]
    if frames.by_current:
        pump, likely = max(
            _pump_alone(runs.watts[still] - rest, runs.seconds[still].astype(np.float64)), key=lambda p: p[1]
        )
        found.append(
            replace(
                found[0],
                pump=pump,
                pump_spread=max(0.3 * pump, 3.0),
                valve_shows=False,
                likely=likely + VALVE_HIDDEN,
            )
        )
    return found


def _heard_directly(runs: Runs) -> bool:
    return bool((runs.inlet >= 0).any() and (runs.outlet >= 0).any())


def _two_levels(over: Floats, seconds: Floats) -> list[tuple[float, float, float]]:
    """Valve and pump over rest: the likeliest pair for each range of the valve's, the likeliest first.

    Tried on a grid of logs, so that a weak pump beside a weak valve is told from a strong valve.
    Each comes with its log chance at the weight that it has beside a decoded cycle.
    """
    keep = (over > 2.5) & (over < 50.0) & (seconds >= 6)
    logs, weight = np.log(over[keep]), np.minimum(seconds[keep], 20.0) / 10.0
    valve = np.log(np.concatenate([np.geomspace(*edges, 7) for edges in VALVE_RANGES_W]))
    pump = np.log(np.geomspace(*PUMP_RANGE_W, 24))

    def bell(levels: Floats) -> Floats:
        out: Floats = np.exp(-0.5 * ((logs[:, None] - levels) / LEVEL_SPREAD) ** 2)
        return out

    mixed = np.log(0.4 * bell(valve)[:, :, None] + 0.6 * bell(pump)[:, None, :] + 0.02)
    score = np.tensordot(weight, mixed, axes=1)
    score -= (
        0.5 * ((valve - np.log(VALVE_W)) / 0.4)[:, None] ** 2 + 0.5 * ((pump - np.log(PUMP_W)) / 0.35) ** 2
    )
    score[pump[None, :] < valve[:, None] + np.log(1.6)] = -np.inf
    found = []
    for first in range(0, len(valve), 7):
        part = score[first : first + 7]
        i, j = np.unravel_index(int(np.argmax(part)), part.shape)
        found.append(
            (float(np.exp(valve[first + i])), float(np.exp(pump[j])), PAIR_WEIGHT * float(part[i, j]))
        )
    return sorted(found, key=lambda pair: -pair[2])


def _pump_alone(over: Floats, seconds: Floats) -> list[tuple[float, float]]:
    """Pumps over rest, each with its log chance as in :func:`_two_levels`, where a valve does not show."""
    keep = (over > 2.5) & (over < 50.0) & (seconds >= 6)
    logs, weight = np.log(over[keep]), np.minimum(seconds[keep], 20.0) / 10.0
    pump = np.log(np.geomspace(*PUMP_RANGE_W, 24))
    bells = np.exp(-0.5 * ((logs[:, None] - pump) / LEVEL_SPREAD) ** 2)
    score = weight @ np.log(0.6 * bells + 0.02) - 0.5 * ((pump - np.log(PUMP_W)) / 0.35) ** 2
    return [(float(np.exp(p)), PAIR_WEIGHT * float(s)) for p, s in zip(pump, score, strict=True)]


def _beside_turning(runs: Runs) -> np.ndarray:
    turn = runs.turning == 1
    out = np.zeros(len(turn), dtype=bool)
    out[1:] |= turn[:-1]
    out[:-1] |= turn[1:]
    return out


def _mode(x: Floats) -> float:
    """The commonest value to within a watt or so; the lowest of near equals."""
    x = np.minimum(np.sort(x), 60.0)
    near = np.searchsorted(x, x + 1.5, side="right") - np.searchsorted(x, x - 1.5)
    top = near >= 0.8 * near.max()
    return float(x[np.argmax(top)])


def _scores(frames: Frames, runs: Runs, levels: _Levels) -> Floats:
    """Log score of each run under each state, shape (runs, states); unheard runs score 0."""
    out = np.zeros((len(runs.start), N_STATES))
    direct = _heard_directly(runs)
    _score_heater(out, runs)
    _score_valves(out, runs)
    _score_turning(out, runs, levels, frames.step_s)
    _score_still(out, runs, levels, 0.35 if direct else 1.0, frames.step_s)
    return out


def _score_heater(out: Floats, runs: Runs) -> None:
    if not (runs.heater >= 0).any():
        out[:, S["heat"]] -= 50.0  # what a bench cannot see it does not say
    on, off = runs.heater == 1, runs.heater == 0
    strength = np.minimum(runs.seconds, 20)
    for state in range(N_STATES):
        if state != S["heat"]:
            out[on, state] -= 1.0 * strength[on]
    out[off, S["heat"]] -= 0.6 * np.minimum(runs.seconds[off], 15)


def _score_valves(out: Floats, runs: Runs) -> None:
    """Inlet and outlet say it directly; short bursts weigh little, long ones settle it."""
    weight = np.minimum(runs.seconds / 10.0, 1.0)
    filling, shut = runs.inlet == 1, runs.inlet == 0
    topping_up = filling & (runs.inlet_s < TOP_UP_S)
    for name, penalty in (
        ("idle", 6.0),
        ("wash", 5.0),
        ("rinse", 5.0),
        ("drain", 3.0),
        ("spin", 4.0),
        ("loosen", 8.0),
    ):
        out[filling, S[name]] -= (penalty * np.where(topping_up, 0.2, 1.0) * weight)[filling]
    for name in ("fill1", "fill2"):
        out[topping_up, S[name]] -= 2.0
        out[shut, S[name]] -= (4.0 * np.minimum(runs.seconds / 6.0, 2.0))[shut]
    pumping, quiet = runs.outlet == 1, runs.outlet == 0
    for name, penalty in (
        ("idle", 4.0),
        ("wash", 7.0),
        ("rinse", 7.0),
        ("fill1", 6.0),
        ("fill2", 6.0),
        ("loosen", 4.0),
    ):
        out[pumping, S[name]] -= (penalty * weight)[pumping]
    out[quiet, S["drain"]] -= (4.0 * np.minimum(runs.seconds / 6.0, 2.5))[quiet]
    once = np.where(runs.block_s > 0, np.minimum(runs.seconds / np.maximum(runs.block_s, 1.0), 1.0), 1.0)
    out[quiet, S["spin"]] -= (0.7 * weight * once)[quiet]  # a spin without pump is one oddity, however long


def _score_turning(out: Floats, runs: Runs, levels: _Levels, step_s: float) -> None:
    turn = (runs.turning == 1) & (runs.heater != 1)
    block = runs.block_s
    if step_s >= ALIASED_S:
        # Strokes and rests merge in coarse samples; what jumps from one to the next is no steady spin.
        block = np.where(runs.rough > ROUGH, np.minimum(block, 20.0), block)
    part = np.where(block > 0, np.minimum(runs.seconds / np.maximum(block, 1.0), 1.0), 0.0)
    stroke = turn & (block < 25)
    middle = turn & (block >= 25) & (block < 50)
    long = turn & (block >= 50)
    for mask, table in (
        (stroke, {"idle": -5.0, "fill1": -0.7, "fill2": -0.7, "drain": -1.2, "spin": -2.2, "wash": 0.0, "rinse": 0.0, "loosen": -0.2}),
        (middle, {"idle": -6.0, "fill1": -1.6, "fill2": -1.6, "drain": -1.8, "spin": -0.8, "wash": -0.9, "rinse": -0.9, "loosen": -1.0}),
        (long, {"idle": -8.0, "fill1": -4.0, "fill2": -4.0, "drain": -LONG_IN_DRAIN, "spin": 0.0, "wash": -4.0, "rinse": -4.0, "loosen": -5.0}),
    ):  # fmt: skip
        for name, score in table.items():
            out[mask, S[name]] += score * part[mask]
    # A drum that never pauses, at the level of its own strokes, tumbles on; a spin draws or shakes otherwise.
    ratio = np.where(np.isnan(runs.watts), 1.0, runs.watts / max(levels.stroke, 1.0))
    fast = long & (ratio > 1.6)
    for name in ("wash", "rinse", "loosen", "fill1", "fill2", "drain"):
        out[fast, S[name]] -= (1.5 * part)[fast]
    if not np.isnan(levels.shake):
        shake = np.where(np.isnan(runs.vibration), 1.0, runs.vibration / max(levels.shake, 1e-6))
        hard, soft = turn & (shake > 2.2), turn & (shake < 1.3)
        spans = np.minimum(runs.seconds / 10.0, 2.0)
        for name in ("wash", "rinse", "fill1", "fill2", "loosen"):
            out[hard, S[name]] -= (2.0 * spans)[hard]
        out[soft, S["spin"]] -= (np.where(block >= 50, 2.0 * part, spans))[soft]
        spins_shake = (
            float(runs.seconds[hard].sum()) >= 30.0
        )  # else a soft spin is not told from a shaking pump
        shaken_by_pump = soft & long & (runs.outlet == 1) & spins_shake
        out[shaken_by_pump, S["drain"]] += (LONG_IN_DRAIN * part)[shaken_by_pump]
    out[long, S["idle"]] -= np.minimum(runs.seconds / 8.0, 6.0)[long]  # nobody rests with the drum turning
    quiet = runs.turning == 0
    out[quiet, S["spin"]] -= (np.minimum(runs.seconds / 8.0, 2.5))[quiet]
    # Rests of half a minute belong to a wash, a minute and a half of nothing does not.
    resting = quiet & (runs.inlet != 1) & (runs.outlet != 1)
    share = runs.seconds / np.maximum(runs.still_s, 1.0)
    for name in ("wash", "rinse", "loosen"):
        out[resting, S[name]] -= (
            RESTING * share * np.clip((runs.still_s - RESTS_S[0]) / (RESTS_S[1] - RESTS_S[0]), 0.0, 1.0)
        )[resting]


def _score_still(out: Floats, runs: Runs, levels: _Levels, weight: float, step_s: float) -> None:
    """Level of a still stretch over the machine's rest: rest, valve or pump; flat after ten seconds.

    Where valve or pump is heard at work, its watts add nothing.
    """
    still = (runs.turning == 0) & (runs.heater != 1) & (runs.inlet != 1) & (runs.outlet != 1)
    still &= ~np.isnan(runs.watts)
    over = runs.watts - levels.rest
    rest = -0.5 * (np.where(over < 0, over / 4.0, over / 1.6)) ** 2 - np.log(1.6)
    valve = -0.5 * ((over - levels.valve) / levels.valve_spread) ** 2 - np.log(levels.valve_spread)
    valve = valve if levels.valve_shows else rest
    pump = -0.5 * ((over - levels.pump) / levels.pump_spread) ** 2 - np.log(levels.pump_spread)
    density = np.exp(np.stack([rest, valve, pump], axis=1)) + 2e-4
    # At coarse steps a lone sample beside strokes is a mean over both: the true level may be anything
    # below it, and at coarser ones nobody knows.
    lone = (runs.seconds <= 1.5 * max(step_s, 1.0)) & _beside_turning(runs)
    if 1.5 <= step_s < MERGED_S:
        base = np.array([0.0, levels.valve, levels.pump])
        mixed = (over[:, None] > base) / np.maximum(LOW_W - base, 5.0) + 2e-4
        density = np.where(lone[:, None], (1 - MIXED_SHARE) * density + MIXED_SHARE * mixed, density)
        lone = np.zeros_like(lone)
    span = np.where(lone, 0.0, np.minimum(runs.seconds / 10.0, 1.0)) * weight
    for name, shares in _SHARES.items():
        likely = np.log(density @ np.array(shares))
        out[still, S[name]] += (likely * span * 2.2)[still]


def _adapted(levels: _Levels, runs: Runs, path: np.ndarray) -> _Levels:
    """Half prior, half the machine's own: levels of the stretches decoded as fill and drain."""
    still = (runs.turning == 0) & (runs.heater != 1) & ~np.isnan(runs.watts) & (runs.seconds >= 4)
    over = runs.watts - levels.rest
    fill = still & np.isin(path, (S["fill1"], S["fill2"])) & (over > 2.5) & (over < 22)
    drain = still & (path == S["drain"]) & (over > 8)
    valve, pump = levels.valve, levels.pump
    if fill.sum() >= 2:
        valve = 0.5 * valve + 0.5 * float(np.median(over[fill]))
    if drain.sum() >= 2:
        pump = 0.5 * pump + 0.5 * float(np.median(over[drain]))
    strokes = (runs.turning == 1) & np.isin(path, (S["wash"], S["rinse"]))
    stroke = levels.stroke
    if (strokes & ~np.isnan(runs.watts)).sum() >= 5:
        stroke = float(np.nanmedian(runs.watts[strokes]))
    shake = levels.shake
    if not np.isnan(shake) and (strokes & ~np.isnan(runs.vibration)).sum() >= 5:
        shake = float(np.nanmedian(runs.vibration[strokes]))
    return replace(levels, valve=valve, pump=max(pump, valve + 4.0), stroke=stroke, shake=shake)
