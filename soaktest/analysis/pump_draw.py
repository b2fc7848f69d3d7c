"""Pumps that draw as much as a drum, told by their flat draw: what is no stroke though it draws like one.

A pump draws flatly and runs on; a drum's draw wanders, and it starts and stops.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

from soaktest.analysis.series import Floats
from soaktest.analysis.stretches import stretches

FLAT: Final = 0.06
"""A pump's draw wanders by no more than this share of it, a drum's by more."""
RUNS_ON_W: Final = 62.0
RUNS_ON_S: Final = 16
RUNS_ON: Final = 2.0
RUNS_ON_STEP_S: Final = 3.5
"""At no more watts, for so many seconds and so many strokes' length, a flat draw is a pump's; from such steps on it is not seen."""
STROKES_KNOWN: Final = 12
WEAKER: Final = 0.75
"""A pump draws such a share of what it and a drum draw together, or less."""
PULSE_S, PULSES, PULSES_S = 12, 4, 300
"""A pump that pulses runs and rests for so many seconds at the most, so many times at the least, until it has emptied the drum;"""
PULSES_UNDER: Final = 0.5
"""told from strokes where it draws such a share of what they do, or less."""
FLAT_ALONE_S: Final = 18
"""A flat stretch this much longer than the window that it was found with is no stroke, though it comes once only."""
STROKES_SHARE: Final = 0.25
"""A level at which the drum spends so much of its strokes is the drum's."""
NOISE_SAMPLES: Final = 15
QUIETER: Final = 0.15
NOISE_RANGE, NOISE_STRAYS = 3.5, 2.5
"""A meter's own noise makes a flat draw wander by so many times its standard deviation, and stray from its middle by so many."""
NOISE_SHARE: Final = 0.04
"""Of what it reads, a meter's noise; a drum at its strokes wanders by more."""
FINEST_S: Final = 1.8
"""From such steps on, the pause between two strokes may not show: strokes and rests merge into what looks like one long run."""
RUNS_DRY: Final = 0.18
"""A pump that runs dry bit by bit draws so much less or more, as a share of the middle, in the pauses of one drain."""
PAUSES: Final = 3
PAUSE_UNDER: Final = 1.35
"""A stroke takes the watts to so many times those of the pauses about it, pump and all."""
STRONGEST_PUMP_W: Final = 110.0
AWAKE_W, RUN_DRY_LEAST = 9.0, 0.48
"""Watts by which rest lies above the least of the log, at the most, and the share that a strong pump draws run dry."""
PAUSE_NEAR_S, AFTER_STROKES_S, ORDINARY_EACH_S, ORDINARY_S = 15, 16, 4, 20
"""Seconds from strokes within which a machine at rest is awake, and after them in which an ordinary pump begins to draw flatly; for
so many at a time, and in all, at the least."""
LONG_S: Final = 50
"""Seconds of turning that are no stroke."""
PUMP_ALONE_S: Final = 15
"""Seconds from the pump's start in which the drum mostly has not begun to spin."""
QUIET_SHARE: Final = 0.1
"""Of those seconds, the quieter ones in which it has not begun for certain."""
STARTS_SHARE: Final = 0.25
"""Of the pump's starts, those with the drum at rest at the least."""
RESTING_SHARE: Final = 0.3
"""Of all seconds, those in which no drum turns in any programme."""
RESTING: Final = 1.5
"""A machine at rest strays to so many times the highest level of those."""


class Meter(NamedTuple):
    """What reads the watts: seconds from sample to sample, its own noise (watts, shape (seconds,)), and the most that it shows of a valve."""

    step_s: float
    noise: Floats
    valve_w: float


def pumps(
    watts: Floats,
    turning: NDArray[np.int8],
    outlet: NDArray[np.int8],
    shaking: NDArray[np.bool_],
    meter: Meter,
) -> tuple[NDArray[np.bool_], float]:
    """Seconds of ``turning`` that are a pump's, shape (seconds,), and its watts where it draws as much as a drum, else NaN.

    ``shaking`` says where the machine shakes as a drum makes it, or draws in its rhythm, ``outlet`` is 0 where the pump is heard to stand.
    """
    step_s, noise, valve_w = meter
    wanders = np.maximum(wander(watts, max(13, int(4 * step_s) + 1)) - NOISE_RANGE * noise, 0.0)
    barred = (outlet == 0) | shaking
    runs_on = np.zeros(len(watts), dtype=bool)
    if step_s < RUNS_ON_STEP_S:
        runs_on = _runs_on(
            watts, turning, np.where(barred, np.inf, wander(watts, max(5, int(3 * step_s) + 1)))
        )
    pump, strays = _strong_pump(watts, turning, np.where(barred, np.inf, wanders), runs_on), FLAT
    if step_s < FINEST_S:
        beneath = _pump_beneath(watts, turning, np.where(outlet == 0, np.inf, wander(watts, 3)))
        # of two levels the lower is the pump's as it runs dry
        if np.isfinite(beneath) and not pump >= (1.0 - RUNS_DRY) * beneath:
            pump, strays = beneath, RUNS_DRY
    if np.isfinite(pump) and _ordinary_too(watts, turning, pump, valve_w):
        pump, strays = float("nan"), FLAT
    pulses = _pulses(watts, np.where(outlet == 0, 0, turning))
    near = np.abs(watts - pump) <= strays * pump + NOISE_STRAYS * noise
    flat = near | ((watts < pump) & (wanders < FLAT * watts))
    return flat | runs_on | pulses, pump  # run dry, it draws less, as flatly


def wander(watts: Floats, width: int) -> Floats:
    """Highest less lowest within ``width`` seconds about each, shape as ``watts``; infinite where not heard throughout."""
    lost = np.isnan(watts)
    highest = maximum_filter1d(np.where(lost, np.inf, watts), width)
    lowest = minimum_filter1d(np.where(lost, -np.inf, watts), width)
    out: Floats = highest - lowest
    return out


def meter_noise(watts: Floats, step_s: float) -> float:
    """Standard deviation of a sample where the machine does nothing new, watts: that of the quieter stretches."""
    lag = max(round(step_s), 1)
    jumps = watts[lag::lag] - watts[:-lag:lag]
    blocks = jumps[: len(jumps) // NOISE_SAMPLES * NOISE_SAMPLES].reshape(-1, NOISE_SAMPLES)
    blocks = blocks[~np.isnan(blocks).any(axis=1)]
    return float(np.quantile(blocks.std(axis=1), QUIETER)) / 2**0.5 if len(blocks) >= 5 else 0.0


def noise_nearby(watts: Floats, step_s: float) -> Floats:
    """The same second by second, from the jumps close by: no more than a meter's share of what it reads, shape as ``watts``."""
    lag = max(round(step_s), 1)
    jumps = np.zeros(len(watts))
    jumps[lag:] = np.nan_to_num(watts[lag:] - watts[:-lag])
    meant = uniform_filter1d(jumps**2, max(NOISE_SAMPLES * lag, 3), mode="nearest")
    spread = np.sqrt(np.maximum(meant, 0.0) / 2.0)
    out: Floats = np.where(spread <= NOISE_SHARE * watts, spread, 0.0)
    return out


def emptiest(watts: Floats) -> float:
    """Watts of the machine at rest, infinite where none were heard."""
    known = watts[~np.isnan(watts)]
    return float(np.quantile(known, 0.02)) if len(known) else float("inf")


def pump_alone(x: Floats, pumping: NDArray[np.bool_], least: float = -np.inf) -> float:
    """Level of ``x`` with the pump on and the drum at rest, 0 where it was never heard to start; none is as low as ``least``.

    From the quieter seconds just after its starts: a spin ramps up from rest, and strokes pause. A pump that pulses
    starts again and again in mid-spin: where some starts are out of rest, they alone count, but for one that drew less,
    as where the drum starts whenever the pump does.
    """
    if not pumping.any() or np.isnan(x).all():
        return 0.0
    at_rest = RESTING * float(np.nanquantile(x, RESTING_SHARE))
    quiet, out_of_rest = [], []
    for begin, stop in stretches(pumping):
        part = x[begin + 1 : min(begin + 1 + PUMP_ALONE_S, stop)]
        part = part[part > least]  # nor what was not heard
        if len(part) >= 5:
            quiet.append(float(np.quantile(part, QUIET_SHARE)))
            before = x[max(begin - 6, 0) : begin]
            out_of_rest.append(not np.isnan(before).all() and float(np.nanmedian(before)) <= at_rest)
    if not quiet:
        return 0.0
    clear = [level for level, counts in zip(quiet, out_of_rest, strict=True) if counts]
    return float(
        min(np.quantile(levels, STARTS_SHARE, method="lower") for levels in (quiet, clear) if levels)
    )


def _strong_pump(
    watts: Floats, turning: NDArray[np.int8], wanders: Floats, runs_on: NDArray[np.bool_]
) -> float:
    """Watts of a pump that draws more than ``LOW_W``, else NaN: a flat level under the drum's strokes, or before a spin.

    It comes again, or lasts longer than a stroke does. Looked for only where no ordinary pump is seen before long turning.
    ``wanders`` is infinite where it can be no pump: the outlet is shut, or the machine shakes.
    """
    long = [(a, b) for a, b in stretches(turning == 1) if b - a >= LONG_S]
    if not long:
        return float("nan")
    pumping = (turning == 0) & (watts > emptiest(watts) + 11.0)
    before = sum(bool(pumping[max(a - 60, 0) : a].sum() >= 15) for a, _ in long)
    if before > 0.3 * len(long):
        return float("nan")
    strokes = [watts[a:b] for a, b in stretches(turning == 1) if b - a < LONG_S]
    at_strokes = np.concatenate([*strokes, np.empty(0)])
    stroke = float(np.median(at_strokes)) if len(at_strokes) else 0.0
    found: list[tuple[float, int, bool]] = []
    for a, b in stretches((turning == 1) & (watts < STRONGEST_PUMP_W) & (wanders < FLAT * watts)):
        level, after = float(np.median(watts[a:b])), watts[b + 6 : b + 96]
        weaker = runs_on[max(a - 60, 0) : a] & (watts[max(a - 60, 0) : a] < WEAKER * level)
        if weaker.sum() >= 10:
            continue  # beside a weaker one that has just run, it is that and a drum
        spins = np.isfinite(after).sum() >= 30 and float(np.nanquantile(after, 0.8)) > 1.25 * level
        drum = len(at_strokes) and np.mean(np.abs(at_strokes - level) <= 2.0 * FLAT * level) > STROKES_SHARE
        if not drum:
            found.append((level, b - a, bool(spins or level < 0.8 * stroke)))
    best, most = float("nan"), 0
    for level, _, _ in found:
        alike = [one for one in found if abs(one[0] - level) <= FLAT * level]
        seconds = sum(one[1] for one in alike)
        told = any(sure for _, _, sure in alike)
        if told and (len(alike) >= 2 or seconds >= FLAT_ALONE_S) and seconds > most:
            best, most = level, seconds
    return best


def _ordinary_too(watts: Floats, turning: NDArray[np.int8], pump: float, valve_w: float) -> bool:
    """Whether the machine also drew flatly, once its strokes were over, what only an ordinary pump draws.

    Then the higher level is its drum's, gathering speed. After a strong pump's drain comes a fill, whose valves may draw much.
    """
    still = (turning == 0) & ~np.isnan(watts)
    least = emptiest(watts)
    pauses = watts[still & (watts < least + AWAKE_W) & maximum_filter1d(turning == 1, 2 * PAUSE_NEAR_S + 1)]
    rest = float(np.median(pauses)) if len(pauses) else least
    between = still & (watts > rest + valve_w) & (watts < RUN_DRY_LEAST * pump)
    seconds = 0
    for begin, stop in stretches(between & (wander(watts, 5) < 2 * FLAT * watts)):
        before = watts[max(begin - AFTER_STROKES_S, 0) : begin]
        highest = float(np.nanmax(before, initial=0.0))
        turned = (turning[max(begin - AFTER_STROKES_S, 0) : begin] == 1).any()
        if stop - begin >= ORDINARY_EACH_S and turned and abs(highest - pump) > 2 * FLAT * pump:
            seconds += stop - begin
    return seconds >= ORDINARY_S


def _pump_beneath(watts: Floats, turning: NDArray[np.int8], wanders: Floats) -> float:
    """Watts of a pump that draws more than ``LOW_W`` while the drum goes on with its strokes, else NaN: the level of its pauses."""
    found: list[tuple[float, int]] = []
    for begin, stop in stretches(turning == 1):
        if stop - begin < LONG_S:
            continue
        part = watts[begin:stop]
        pauses: list[tuple[float, int, int]] = []
        for a, b in stretches((wanders < 2 * FLAT * watts)[begin:stop] & (part < STRONGEST_PUMP_W)):
            level = float(np.median(part[a:b]))
            beside = (part[max(a - 6, 0) : a], part[b : b + 6])
            if all(len(x) and float(np.nanmax(x)) > PAUSE_UNDER * level for x in beside):
                pauses.append((level, a, b))
        if len(pauses) >= PAUSES:
            base = float(np.median([level for level, _, _ in pauses]))
            alike = sum(abs(level - base) <= RUNS_DRY * base for level, _, _ in pauses)
            among = part[pauses[0][1] : pauses[-1][2]]
            if alike >= 0.7 * len(pauses) and base < 1.35 * float(np.nanquantile(among, 0.05)):
                found.append((base, alike))
    best = max(found, key=lambda one: one[1], default=(float("nan"), 0))[0]
    return best if sum(abs(level - best) <= RUNS_DRY * best for level, _ in found) >= 2 else float("nan")


def _pulses(watts: Floats, turning: NDArray[np.int8]) -> NDArray[np.bool_]:
    """Seconds of brief, equal draws one close after the other, at far less than the drum's: a pump that pulses."""
    out = np.zeros(len(watts), dtype=bool)
    turns = stretches(turning == 1)
    strokes = [watts[a:b] for a, b in turns if PULSE_S < b - a < LONG_S]
    if len(strokes) < STROKES_KNOWN:
        return out
    most, chain = PULSES_UNDER * float(np.median(np.concatenate(strokes))), list[tuple[int, int, float]]()
    for begin, end in [*turns, (len(watts) + PULSE_S, len(watts) + 2 * PULSE_S)]:
        level = float(np.median(watts[begin:end])) if end <= len(watts) else np.inf
        beside = chain and begin - chain[-1][1] <= PULSE_S and abs(level - chain[0][2]) <= FLAT * level
        if chain and not beside:
            if len(chain) >= PULSES and chain[-1][1] - chain[0][0] <= PULSES_S:
                for a, b, _ in chain:
                    out[a:b] = True
            chain = []
        if end - begin <= PULSE_S and level < most:
            chain.append((begin, end, level))
    return out


def _runs_on(watts: Floats, turning: NDArray[np.int8], wanders: Floats) -> NDArray[np.bool_]:
    """Seconds of flat draw that last longer than any stroke does, at what an ordinary pump may draw: a pump beside a weak drum."""
    out = np.zeros(len(watts), dtype=bool)
    strokes = [b - a for a, b in stretches(turning == 1) if b - a < LONG_S]
    if len(strokes) < STROKES_KNOWN:
        return out
    least = max(RUNS_ON_S, RUNS_ON * float(np.median(strokes)))
    for a, b in stretches((turning == 1) & (watts < RUNS_ON_W) & (wanders < FLAT * watts)):
        if b - a >= least - 4:
            out[max(a - 2, 0) : b + 2] = True
    return out & (watts < RUNS_ON_W)
