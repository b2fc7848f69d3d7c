"""What the machine's signals say of each second.

Three rows a second, each possibly unknown: turning (still, turning, spinning fast), heater, and the
level of the supply while still; with inlet and outlet where the bench has them. Levels adapt to the
machine: its own pump, heater and strokes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, median_filter

from soaktest.analysis.meter_lag import unlagged, unlagged_rms
from soaktest.analysis.phase_shaking import UNKNOWN, joined_by_shaking, shaken, usual_shake
from soaktest.analysis.pump_draw import Meter, emptiest, meter_noise, noise_nearby, pump_alone, pumps, wander
from soaktest.analysis.series import Floats, Series, Signals
from soaktest.analysis.spot_readings import centred
from soaktest.analysis.stretches import joined, stretches
from soaktest.analysis.weak_strokes import weak_strokes

HOLD_S: Final = 10.0
"""A sample speaks for the time since the one before, up to this long;"""
HOLD_STEPS, HOLD_MOST_S = 1.5, 12.0
"""a meter that reads every ten seconds does so a little sooner or later."""
LOW_W: Final = 42.0
"""Below: rest, valve or pump; above: the drum turns. Where the log shows an emptier level nearby, that one."""
LOW_RANGE_W: Final = (30.0, 46.0)
LOW_WIDTH: Final = 0.08
"""Half width, in log watts, of the levels tried for it."""
LOW_TIE: Final = 0.03
"""Share of the log that must speak for a level an e-th off the usual one."""
STEADY, STEADY_WIDTH_S, STEADY_LEAST_S = 0.07, 9, 45
"""A pump's draw wanders by no more than such a share within so many seconds; for as long in all as no strokes of a weak drum do."""
ABOVE_STEADY = 1.1, 1.35
"""The level is sought from so many times such a pump's watts on."""
AT_REST_W: Final = 12.0
"""Watts over the least at which lamps, lock and valves may draw, and no motor."""
RUN_DOWN_S: Final = 15
"""Seconds from what draws within which a drum may turn at such watts: it runs down, or its meter lags."""
OFTEN: Final = 0.2
"""Of the seconds before the first fill, those shaken from which it is the drum."""
HEATER_W: Final = 900.0
"""No motor of a household washer draws this for long."""
HEATS_S: Final = 60
BESIDE_PEAK_S, PEAK_FROM = 8, 0.4
"""A motor's peak is briefer, and falls to or rises from such a share of it within so many seconds; a drum at its strokes draws less of an
element's watts."""
HEATER_A: Final = 4.1
"""The same in amperes, where a motor's are more than its watts over the mains' volts, and an element's are not."""
AT_ONCE: Final = 0.55
"""Share of what is drawn that an element takes within a sample or two, be the drum at its strokes."""
SLOW_S: Final = 6
"""A meter that averages or lags shows that within so many seconds,"""
STAYS_S: Final = 20
STAYS: Final = 0.3
"""and stays as high for so long to such a share, be the drum at its strokes."""
WATTS_PER_AMPERE: Final = (140.0, 190.0)
"""Small loads at 230 V with power factors of 0.6, as is usual, or above 0.8, so that current reads about as power does."""
VALVE_MOST_W: Final = 17.0
VALVE_MOST_BY_CURRENT_W: Final = 30.0
"""Watts over rest that no valve draws; in amperes times volts one of a low power factor may come to more."""
WORKS_A: Final = 0.2
BESIDE_S: Final = 60.0
"""A machine is awake between two times, either so near, at which it draws so many amperes over the least."""
AWAKE_SHARE: Final = 0.02
"""Of what it draws then, the lowest, which is its rest."""
PAUSE_S: Final = 19
"""Pauses of under 20 s belong to what they interrupt (the contract of the phases)."""
PUMP_WANDERS: Final = 1.3
"""A pump's shaking strays to so many times its quiet seconds'."""
DRUM_OVER_SHAKE, DRUM_SHARE = 2.0, 0.15
"""A drum that shakes so many times more than the pump, in such a share of its seconds, is told from it second by second."""
PUMP_STRAYS: Final = 1.5
"""A pump that is heard draws no more than so many times what it drew as it began; what draws more is the drum."""


@dataclass(frozen=True, slots=True)
class Frames:
    """Second by second; each row shaped (seconds,), NaN or UNKNOWN where not heard."""

    watts: Floats
    heater: NDArray[np.int8]
    turning: NDArray[np.int8]
    inlet: NDArray[np.int8]
    outlet: NDArray[np.int8]
    vibration: Floats
    heard: NDArray[np.bool_]
    step_s: float
    sees_heat: bool
    by_current: bool
    """Whether the watts are amperes times volts and a usual power factor."""
    by_instants: bool
    """Whether the watts are readings of an instant now and then, and no means."""
    strong_pump: float
    """Watts of a pump that draws as much as a drum at its strokes; NaN where the pump is an ordinary one."""


def frames_of(signals: Signals, t0: float, seconds: int, watts_per_ampere: float) -> Frames:
    """Lay the phase signals on the grid of seconds and class them; amperes speak only where no watts were heard."""
    power, current = signals.other("power"), signals.other("current")
    source = power if len(power) else Series(current.t, _active(current) * watts_per_ampere)
    step = source.step_s if len(source) > 1 else 1.0
    timed = centred(source)
    watts = grid(timed, t0, seconds)
    watts = unlagged(watts, step) if len(power) else unlagged_rms(watts, step)
    inlet = _on(grid(signals.other("inlet"), t0, seconds))
    pumped = grid(signals.other("outlet"), t0, seconds)
    outlet, pumping = _on(pumped), np.nan_to_num(pumped) > 0.5
    vibration = _of_the_drum(grid(signals.other("vibration"), t0, seconds), pumping)
    least = HEATER_W if len(power) else HEATER_A * watts_per_ampere
    heater = _heater(watts, _without_pumping(watts > least, pumping), step, motors=not len(power))
    known = ~np.isnan(watts)
    # that of amperes grows towards rest
    noise = np.full(seconds, meter_noise(watts, step)) if len(power) else noise_nearby(watts, step)
    meter = Meter(step, noise, VALVE_MOST_W if len(power) else VALVE_MOST_BY_CURRENT_W)
    turning, low, strong_pump = _by_watts(watts, heater, outlet, pumping, vibration, meter)
    may_pump = (outlet == 1) | ((outlet == UNKNOWN) & (watts > emptiest(watts) + 11.0))
    shakes = _by_the_machine(shaken(vibration, inlet, outlet), watts, inlet)
    turning = joined_by_shaking(turning, shakes, vibration, low, may_pump, step)
    heard = known | ~np.isnan(vibration) | (inlet >= 0) | (outlet >= 0)
    sees_heat = bool(known.any())
    return Frames(
        watts, heater, turning, inlet, outlet, vibration, heard, step,
        sees_heat, sees_heat and not len(power), timed is not source, strong_pump,
    )  # fmt: skip


def _by_watts(
    watts: Floats,
    heater: NDArray[np.int8],
    outlet: NDArray[np.int8],
    pumping: NDArray[np.bool_],
    vibration: Floats,
    meter: Meter,
) -> tuple[NDArray[np.int8], NDArray[np.bool_], float]:
    """Whether the drum turns, where watts show none, and the watts of a pump that draws as much as a drum."""
    known = ~np.isnan(watts)
    turning = np.full(len(watts), UNKNOWN, dtype=np.int8)
    # where the pump is heard at work, only what draws more is the drum; it may be heard before it is seen to draw
    pump_w = pump_alone(watts, pumping, emptiest(watts) + AT_REST_W)
    least_w = _low_watts(watts)
    low = known & (watts <= np.where(pumping & (pump_w > 0), PUMP_STRAYS * pump_w, least_w))
    strokes = weak_strokes(
        np.where(pumping, np.nan, watts), emptiest(watts) + AT_REST_W, max(LOW_W, least_w), meter.step_s
    )
    low &= ~strokes.weak
    turning[known] = ~low[known] & (heater[known] != 1)
    turning[heater == 1] = UNKNOWN
    shaking = vibration > 0.5 * usual_shake(vibration, turning)
    a_pump, strong = pumps(watts, turning, outlet, shaking | strokes.of_the_drum, meter)
    turning[known & a_pump & ~strokes.of_the_drum] = 0
    return turning, low, strong


def _of_the_drum(vibration: Floats, pumping: NDArray[np.bool_]) -> Floats:
    """Vibration without knocks of a second, and without what the pump alone shakes, which adds in quadrature."""
    known = ~np.isnan(vibration)
    shake = PUMP_WANDERS * pump_alone(vibration, pumping)
    calmed = np.sqrt(np.maximum(vibration**2 - shake**2, 0.0))
    loud = shake > 0 and np.mean(vibration[pumping & known] > DRUM_OVER_SHAKE * shake) > DRUM_SHARE
    quiet = np.where(
        pumping,
        median_filter(np.nan_to_num(calmed), 3 if loud else 5),
        median_filter(np.nan_to_num(vibration), 3),
    )
    return np.where(known, quiet, np.nan)


def _by_the_machine(shakes: NDArray[np.int8], watts: Floats, inlet: NDArray[np.int8]) -> NDArray[np.int8]:
    """Shaking without that of somebody who leans on a machine at rest.

    A drum turns no sooner than something draws, and where the inlet is heard, hardly before it lets water in: a run begun
    in mid-wash is shaken by strokes, and often.
    """
    draws = ~(watts <= emptiest(watts) + AT_REST_W)
    by_it = maximum_filter1d(draws, 2 * RUN_DOWN_S + 1)
    filled = np.flatnonzero(inlet == 1)
    if len(filled) and filled[0] and np.mean(shakes[: filled[0]] == 1) < OFTEN:
        by_it[: filled[0]] = False
    return np.where(by_it, shakes, np.minimum(shakes, 0)).astype(np.int8)


def grid(series: Series, t0: float, seconds: int) -> Floats:
    """Values per second, shape (seconds,): each sample stands for the time since the one before."""
    out = np.full(seconds, np.nan)
    if not len(series):
        return out
    t, v = series.t - t0, series.v
    edges = np.arange(seconds, dtype=np.float64)
    if len(t) > 1 and np.median(np.diff(t)) < 0.75:  # several a second: their mean
        which = np.floor(t).astype(np.int64)
        inside = (which >= 0) & (which < seconds)
        count = np.bincount(which[inside], minlength=seconds)
        total = np.bincount(which[inside], weights=v[inside], minlength=seconds)
        with np.errstate(invalid="ignore", divide="ignore"):
            out = np.where(count > 0, total / count, np.nan)
        return _bridge(out, 3)
    after = np.searchsorted(t, edges + 0.5)  # the sample that covers the middle of the second
    ok = after < len(t)
    after = np.minimum(after, len(t) - 1)
    before = np.where(after > 0, t[np.maximum(after - 1, 0)], t[0] - 1.0)
    longest = min(max(HOLD_S, HOLD_STEPS * series.step_s), HOLD_MOST_S)
    near = ok & ((t[after] - before <= longest) | (t[after] - edges <= 3.0))
    out[near] = v[after[near]]
    return out


def _bridge(x: Floats, longest: int) -> Floats:
    """Fill breaks of up to ``longest`` seconds with the value before."""
    lost = np.isnan(x)
    if not lost.any() or lost.all():
        return x
    index = np.where(lost, 0, np.arange(len(x)))
    np.maximum.accumulate(index, out=index)
    fill = lost & (np.arange(len(x)) - index <= longest) & ~np.isnan(x[index])
    return np.where(fill, x[index], x)


def _active(current: Series) -> Floats:
    """What loads add to the current of a machine that is awake and rests, a mains filter's own for the most part: a quarter turn
    off, in quadrature. Awake it draws more than asleep: its rest is the low level beside what works.
    """
    amperes = current.v
    if len(amperes) < 2:
        return amperes
    rest = float(np.quantile(amperes, 0.02))
    works = np.flatnonzero((amperes > rest + WORKS_A) & (amperes < HEATER_A))
    if len(works):
        here = np.arange(len(amperes))
        after = np.searchsorted(works, here)
        last, following = works[np.maximum(after - 1, 0)], works[np.minimum(after, len(works) - 1)]
        beside = BESIDE_S / max(current.step_s, 0.05)
        between = (here > last) & (here < following) & (here - last <= beside) & (following - here <= beside)
        if between.any():
            rest = max(rest, float(np.quantile(amperes[between], AWAKE_SHARE)))
    out: Floats = np.sqrt(np.maximum(amperes**2 - rest**2, 0.0))
    return out


def _low_watts(watts: Floats) -> float:
    """The emptiest level between pump and strokes, near the usual one; not below a pump that is seen to draw more."""
    logs = np.sort(np.log(watts[(watts > 12.0) & (watts < 130.0)]))
    if len(logs) < 60:
        return LOW_W
    lowest, highest = LOW_RANGE_W
    level = _emptiest_between(logs, lowest, highest)
    with np.errstate(invalid="ignore"):
        steady = wander(watts, STEADY_WIDTH_S) < STEADY * watts
    pumped = watts[steady & (watts > lowest) & (watts < highest)]
    pump = float(np.median(pumped)) if len(pumped) >= STEADY_LEAST_S else 0.0
    if level > pump:
        return level
    return _emptiest_between(logs, ABOVE_STEADY[0] * pump, max(ABOVE_STEADY[1] * pump, highest))


def _emptiest_between(logs: Floats, lowest: float, highest: float) -> float:
    """Watts between these about which the fewest of the log's are, for their distance from the usual; ``logs`` are sorted."""
    levels = np.log(np.geomspace(lowest, highest, 13))
    held = np.searchsorted(logs, levels + LOW_WIDTH) - np.searchsorted(logs, levels - LOW_WIDTH)
    return float(np.exp(levels[np.argmin(held / len(logs) + LOW_TIE * np.abs(levels - np.log(LOW_W)))]))


def _on(share: Floats) -> NDArray[np.int8]:
    """1 where open or on, its pauses of under ``PAUSE_S`` with it."""
    out = np.full(len(share), UNKNOWN, dtype=np.int8)
    known = ~np.isnan(share)
    out[known] = share[known] > 0.5
    out[joined(out == 1, PAUSE_S)] = 1
    return out


def _heater(watts: Floats, high: NDArray[np.bool_], step: float, *, motors: bool) -> NDArray[np.int8]:
    """1 where the element is on, of what draws ``high``; it must last some seconds, and its own level is learned.

    ``motors``: whether a motor may draw so much too, as one of a low power factor does in amperes.
    """
    out = np.full(len(watts), UNKNOWN, dtype=np.int8)
    known = ~np.isnan(watts)
    out[known] = 0
    on = _switched(watts, high, step) if motors else high
    if on.sum() < 8:
        return out
    level = float(np.quantile(watts[on], 0.6))
    on = high & (watts > 0.6 * level)
    for begin, stop in stretches(_switched(watts, on, step) if motors else on):
        if stop - begin >= 8:
            out[begin:stop] = 1
    out[joined(out == 1, PAUSE_S)] = 1
    for begin, stop in _surges(watts, out == 1):
        out[begin:stop] = 0
    return out


def _surges(watts: Floats, on: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """What is no element's though it draws as much: brief peaks of what draws much before or after, as a motor does in a spin."""
    out = []
    for a, b in stretches(on):
        least = PEAK_FROM * float(np.nanmedian(watts[a:b]))
        beside = watts[max(a - BESIDE_PEAK_S, 0) : a], watts[b : b + BESIDE_PEAK_S]
        if b - a < HEATS_S and any(np.isfinite(part).any() and np.nanmedian(part) > least for part in beside):
            out.append((a, b))
    return out


def _without_pumping(high: NDArray[np.bool_], pumping: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Those stretches in which the pump is not heard: a machine heats no water that it pumps out, and a motor draws so much too."""
    out = high.copy()
    for begin, stop in stretches(high):
        if pumping[begin:stop].sum() > 2:
            out[begin:stop] = False
    return out


def _switched(watts: Floats, high: NDArray[np.bool_], step: float) -> NDArray[np.bool_]:
    """Those stretches of high draw that begin at once, or within seconds and stay, as an element's do: a motor gathers speed."""
    out = np.zeros(len(watts), dtype=bool)
    edge = max(2, int(np.ceil(2 * step)))
    for begin, stop in stretches(high):
        level = float(np.nanmedian(watts[begin : min(begin + 2 * edge, stop)]))
        unheard = begin < edge or np.isnan(watts[begin - edge : begin]).any()
        settled = watts[begin + SLOW_S : begin + SLOW_S + STAYS_S]
        stays = len(settled) == STAYS_S and bool(np.ptp(settled) < STAYS * np.median(settled))
        if (
            unheard
            or _rise(watts, begin, edge) > AT_ONCE * level
            or (stays and _rise(watts, begin, max(SLOW_S, edge)) > AT_ONCE * float(np.median(settled)))
        ):
            out[begin:stop] = True
    return out


def _rise(watts: Floats, begin: int, seconds: int) -> float:
    """The most that the draw grows by within so many seconds about a moment; 0 where none is known."""
    around = watts[max(begin - 2 * seconds, 0) : begin + 2 * seconds]
    rises = around[seconds:] - around[:-seconds]
    return float(np.nanmax(rises)) if np.isfinite(rises).any() else 0.0
