"""The machine's own levels in watts: rest, valve, pump and strokes; guessed at first, adapted to a decoded cycle after."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from soaktest.analysis.phase_frames import Frames
from soaktest.analysis.phase_model import DRAINS, S
from soaktest.analysis.phase_runs import Runs
from soaktest.analysis.series import Floats

VALVE_W, PUMP_W = 6.5, 18.0
"""Usual levels over rest: a valve draws 5 to 15 W, a pump 14 to 32 W."""
VALVE_RANGES_W = ((3.0, 5.5), (5.5, 8.5), (8.5, 12.5), (12.5, 15.0))
VALVE_RANGE_BY_CURRENT_W = (15.0, 26.0)
"""In amperes times volts a valve of a low power factor may come to so many more."""
PUMP_RANGE_W = (9.0, 60.0)
PAIR_WEIGHT = 0.3
"""Of what the levels alone say of a pair, beside what a cycle decoded with it says: the same stretches speak in both."""
ENDS_S, SAME_W = 30, 1.6
"""Seconds at either end of a log that show what the machine draws before and after, and watts by which those may differ."""
VALVE_HIDDEN = -3.0
"""Log chance that an open valve does not raise what the meter reads."""
LEVEL_SPREAD = 0.22
"""Spread of the log of a level within one machine: a pump draws less as it runs dry."""
LEAST_PAUSES = 8
"""So many pauses between strokes tell what the machine draws at rest."""
REST_ABOVE_W = 9.0
"""Electronics awake draw no more than this above the lowest level of the log."""


@dataclass(frozen=True, slots=True)
class Levels:
    """The machine's own levels in watts: rest between strokes, valve and pump above rest, strokes."""

    rest: float
    valve: float
    pump: float
    valve_spread: float
    pump_spread: float
    stroke: float
    shake: float
    valve_shows: bool
    """Whether an open valve raises the level at all: beside a filter's own current, or in a coarse meter, it may not."""
    standby: float
    """What the machine draws before and after its work: asleep less than at rest, with its display lit more."""
    likely: float
    """Log chance of the pair of levels before any cycle is looked at, up to a constant."""


def first_levels(frames: Frames, runs: Runs) -> list[Levels]:
    """What the levels may be, one for each range of the valve's.

    Rest is the commonest level of short still stretches beside strokes, else of all still ones. Where the drum hardly
    turns it may be a higher one as well, for a machine draws less before and after its work than at rest within.
    """
    still = (runs.turning == 0) & (runs.heater != 1) & ~np.isnan(runs.watts)
    beside = still & beside_turning(runs)
    between = beside & (runs.seconds >= max(3.0, 1.6 * frames.step_s)) & (runs.seconds <= 40)
    pool = runs.watts[between] if between.sum() >= LEAST_PAUSES else runs.watts[still]
    known = frames.watts[~np.isnan(frames.watts)]
    floor = float(np.quantile(known, 0.02)) if len(known) else 0.0
    near = pool[pool < floor + REST_ABOVE_W]  # coarse samples between strokes are means over both
    rest = _mode(near) if len(near) >= 4 else floor + 2.0
    rests = [rest] if beside.sum() >= LEAST_PAUSES else [rest, *_higher_mode(near, rest)]
    turning = (runs.turning == 1) & ~np.isnan(runs.watts)
    stroke = float(np.median(runs.watts[turning])) if turning.any() else 150.0
    shaking = (runs.turning == 1) & ~np.isnan(runs.vibration)
    shake = float(np.median(runs.vibration[shaking])) if shaking.any() else float("nan")
    return [levels for rest in rests for levels in _beside_rest(frames, runs, rest, stroke, shake)]


def _beside_rest(frames: Frames, runs: Runs, rest: float, stroke: float, shake: float) -> list[Levels]:
    """What the other levels may be where the machine draws ``rest`` at rest."""
    still = (runs.turning == 0) & (runs.heater != 1) & ~np.isnan(runs.watts)
    heard = bool((~np.isnan(frames.watts)).any())
    standby = _standby(frames, rest)
    ranges = (*VALVE_RANGES_W, VALVE_RANGE_BY_CURRENT_W) if frames.by_current else VALVE_RANGES_W
    still &= ~_waiting(still & (np.abs(runs.watts - standby) < SAME_W))
    pairs = _two_levels(runs.watts[still] - rest, runs.seconds[still].astype(np.float64), ranges)
    if np.isfinite(frames.strong_pump):
        pairs = [(valve, frames.strong_pump - rest, likely) for valve, _, likely in pairs]
    elif heard_directly(runs) or not heard:
        pairs = pairs[:1]  # levels hardly speak beside inlet and outlet
    found = [
        Levels(rest, valve, pump, max(0.4 * valve, 1.8), max(0.3 * pump, 3.0), stroke, shake, True, standby, likely)
        for valve, pump, likely in pairs
    ]  # fmt: skip
    if heard and not heard_directly(runs):
        pump, likely = _pump_alone(runs.watts[still] - rest, runs.seconds[still].astype(np.float64))
        if np.isfinite(frames.strong_pump):
            pump, likely = frames.strong_pump - rest, pairs[0][2]
        hidden = replace(found[0], pump=pump, pump_spread=max(0.3 * pump, 3.0), valve_shows=False)
        found.append(replace(hidden, likely=likely + VALVE_HIDDEN))
    return found


def adapted(levels: Levels, runs: Runs, path: np.ndarray) -> Levels:
    """Half prior, half the machine's own: levels of the stretches decoded as fill and drain."""
    still = (runs.turning == 0) & (runs.heater != 1) & ~np.isnan(runs.watts) & (runs.seconds >= 4)
    over = runs.watts - levels.rest
    fill = still & np.isin(path, (S["fill1"], S["fill2"])) & (over > 2.5) & (over < 22)
    drain = still & np.isin(path, DRAINS) & (over > 8)
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


def heard_directly(runs: Runs) -> bool:
    """Whether both inlet and outlet were heard."""
    return bool((runs.inlet >= 0).any() and (runs.outlet >= 0).any())


def _standby(frames: Frames, rest: float) -> float:
    """The level at which the log begins and ends, where that is one, near rest, and the drum turns at neither."""
    still = (frames.turning == 0) & (frames.heater != 1) & ~np.isnan(frames.watts)
    seconds = np.flatnonzero(~np.isnan(frames.watts))
    if len(seconds) < 4 * ENDS_S:
        return rest
    ends = seconds[:ENDS_S], seconds[-ENDS_S:]
    if not all(still[end].all() for end in ends):
        return rest
    first, last = (float(np.median(frames.watts[end])) for end in ends)
    standby = 0.5 * (first + last)
    return standby if abs(first - last) < SAME_W and abs(standby - rest) < REST_ABOVE_W else rest


def _waiting(standing_by: np.ndarray) -> np.ndarray:
    """Runs before the machine's work and after it: those at the standby level, without a break from either end, shape (runs,)."""
    before, after = (np.logical_and.accumulate(x) for x in (standing_by, standing_by[::-1]))
    out: np.ndarray = before | after[::-1]
    return out


def _two_levels(
    over: Floats, seconds: Floats, ranges: tuple[tuple[float, float], ...]
) -> list[tuple[float, float, float]]:
    """Valve and pump over rest: the likeliest pair for each range of the valve's, the likeliest first.

    Tried on a grid of logs, so that a weak pump beside a weak valve is told from a strong valve.
    Each comes with its log chance at the weight that it has beside a decoded cycle.
    """
    logs, weight = _told_levels(over, seconds)
    valve = np.log(np.concatenate([np.geomspace(*edges, 7) for edges in ranges]))
    pump = np.log(np.geomspace(*PUMP_RANGE_W, 34))
    mixed = np.log(0.4 * _bell(logs, valve)[:, :, None] + 0.6 * _bell(logs, pump)[:, None, :] + 0.02)
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


def _pump_alone(over: Floats, seconds: Floats) -> tuple[float, float]:
    """The likeliest pump over rest with its log chance as in :func:`_two_levels`, where a valve does not show."""
    logs, weight = _told_levels(over, seconds)
    pump = np.log(np.geomspace(*PUMP_RANGE_W, 34))
    score = weight @ np.log(0.6 * _bell(logs, pump) + 0.02) - 0.5 * ((pump - np.log(PUMP_W)) / 0.35) ** 2
    best = int(np.argmax(score))
    return float(np.exp(pump[best])), PAIR_WEIGHT * float(score[best])


def _told_levels(over: Floats, seconds: Floats) -> tuple[Floats, Floats]:
    """Logs of the levels over rest that may be a valve's or a pump's, and what each weighs by its length."""
    keep = (over > 2.5) & (over < 62.0) & (seconds >= 6)
    return np.log(over[keep]), np.minimum(seconds[keep], 20.0) / 10.0


def _bell(logs: Floats, levels: Floats) -> Floats:
    """How well each log level suits each tried one, shape (logs, levels)."""
    out: Floats = np.exp(-0.5 * ((logs[:, None] - levels) / LEVEL_SPREAD) ** 2)
    return out


def beside_turning(runs: Runs) -> np.ndarray:
    """Which runs the drum turns just before or just after, shape (runs,)."""
    turn = runs.turning == 1
    out = np.zeros(len(turn), dtype=bool)
    out[1:] |= turn[:-1]
    out[:-1] |= turn[1:]
    return out


def _higher_mode(near: Floats, rest: float) -> list[float]:
    """The commonest level well above ``rest`` of those near it, where some of them are."""
    above = near[near > rest + SAME_W]
    return [_mode(above)] if len(above) >= 4 else []


def _mode(x: Floats) -> float:
    """The commonest value to within a watt or so; the lowest of near equals."""
    x = np.minimum(np.sort(x), 60.0)
    near = np.searchsorted(x, x + 1.5, side="right") - np.searchsorted(x, x - 1.5)
    top = near >= 0.8 * near.max()
    return float(x[np.argmax(top)])
