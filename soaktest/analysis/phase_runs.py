"""What the machine's signals say of each second, and seconds gathered into runs.

Three rows a second, each possibly unknown: turning (still, turning, spinning fast), heater, and the
level of the supply while still; with inlet and outlet where the bench has them. Levels adapt to the
machine: its own rest level, stroke level and heater level.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, median_filter, minimum_filter1d

from soaktest.analysis.series import Floats, Series, Signals

HOLD_S: Final = 10.0
"""A sample speaks for the time since the one before, up to this long."""
LOW_W: Final = 42.0
"""Below: rest, valve or pump; above: the drum turns. Where the log shows an emptier level nearby, that one."""
LOW_RANGE_W: Final = (30.0, 46.0)
LOW_WIDTH: Final = 0.08
"""Half width, in log watts, of the levels tried for it."""
LOW_TIE: Final = 0.03
"""Share of the log that must speak for a level an e-th off the usual one."""
COARSE_S: Final = 3.0
"""From such steps on, watts alone do not show strokes."""
STRONGEST_SHAKE: Final = 25.0
"""Times the still level from which one shake is as good as another."""
CLEAR_SHAKE: Final = 1.5
"""Times the still level that strokes must shake to be told."""
FLAT: Final = 0.06
"""A pump's draw wanders by no more than this share of it, a drum's by more."""
FLAT_ALONE_S: Final = 18
"""A flat stretch this much longer than the window that it was found with is no stroke, though it comes once only."""
STRONGEST_PUMP_W: Final = 110.0
LONG_S: Final = 50
"""Seconds of turning that are no stroke."""
HEATER_W: Final = 900.0
"""No motor of a household washer draws this for long."""
HEATER_A: Final = 4.8
"""The same in amperes, where a motor's are more than its watts over the mains' volts, and an element's are not."""
WATTS_PER_AMPERE: Final = (140.0, 190.0)
"""Small loads at 230 V with power factors of 0.6, as is usual, or above 0.8, so that current reads about as power does."""

PAUSE_S: Final = 19
"""Pauses of under 20 s belong to what they interrupt (the contract of the phases)."""
PUMP_ALONE_S: Final = 15
"""Seconds from the pump's start in which the drum mostly has not begun to spin."""
PUMP_WANDERS: Final = 1.3
"""A pump's shaking strays to so many times its quiet seconds'."""
PUMP_STRAYS: Final = 1.4
"""A pump that is heard draws no more than so many times what it drew as it began; what draws more is the drum."""

UNKNOWN: Final = -1


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
    strong_pump: float
    """Watts of a pump that draws as much as a drum at its strokes; NaN where the pump is an ordinary one."""


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
    vibration: Floats
    block_s: Floats
    """Seconds of the whole block of turning that a turning run belongs to."""
    inlet_s: Floats
    """Seconds that the inlet was on at a stretch, in a run with the inlet on."""
    still_s: Floats
    """Seconds of the whole stretch at one level, without turning, heater or valve, that a still run belongs to."""
    rough: Floats
    """How much the watts of that block jump from sample to sample, as a share of their level."""


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
    near = ok & ((t[after] - before <= HOLD_S) | (t[after] - edges <= 3.0))
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


def frames_of(signals: Signals, t0: float, seconds: int, watts_per_ampere: float) -> Frames:
    """Lay the phase signals on the grid of seconds and class them; amperes speak only where no watts were heard."""
    power, current = signals.other("power"), signals.other("current")
    source = power if len(power) else Series(current.t, _active(current.v) * watts_per_ampere)
    heating = HEATER_W if len(power) else HEATER_A * watts_per_ampere
    watts = grid(source, t0, seconds)
    inlet = _on(grid(signals.other("inlet"), t0, seconds))
    pumping = grid(signals.other("outlet"), t0, seconds)
    outlet, pumping = _on(pumping), np.nan_to_num(pumping) > 0.5
    vibration = grid(signals.other("vibration"), t0, seconds)
    # The pump shakes and draws beside the drum: what it does alone is taken off, shaking in quadrature.
    shake = PUMP_WANDERS * _pump_alone(vibration, pumping)
    known_shake = ~np.isnan(vibration)
    calmed = np.sqrt(np.maximum(vibration**2 - shake**2, 0.0))
    vibration = np.where(pumping & known_shake, median_filter(np.nan_to_num(calmed), 5), vibration)
    heater = _heater(watts, heating)
    turning = np.full(seconds, UNKNOWN, dtype=np.int8)
    known = ~np.isnan(watts)
    pump_w = _pump_alone(watts, pumping)
    low = known & (watts <= np.where(pumping & (pump_w > 0), PUMP_STRAYS * pump_w, _low_watts(watts)))
    turning[known] = ~low[known] & (heater[known] != 1)
    turning[heater == 1] = UNKNOWN
    step = source.step_s if len(source) > 1 else 1.0
    wanders = _wander(watts, max(13, int(4 * step) + 1))
    shaking = vibration > 0.5 * _usual_shake(vibration, turning)
    pump = _strong_pump(watts, turning, np.where((outlet == 0) | shaking, np.inf, wanders))
    flat = (np.abs(watts - pump) <= FLAT * pump) | ((watts < pump) & (wanders < FLAT * watts))
    turning[known & flat] = 0  # run dry, it draws less, as flatly
    turning = _joined_by_shaking(turning, vibration, watts, low, inlet, outlet, step)
    heard = known | ~np.isnan(vibration) | (inlet >= 0) | (outlet >= 0)
    return Frames(
        watts, heater, turning.astype(np.int8), inlet, outlet, vibration, heard,
        step, bool(known.any()), bool(known.any()) and not len(power), pump,
    )  # fmt: skip


def _active(amperes: Floats) -> Floats:
    """What loads add to the current at rest, which is a mains filter's own for the most part: a quarter turn off, in quadrature."""
    if not len(amperes):
        return amperes
    out: Floats = np.sqrt(np.maximum(amperes**2 - float(np.quantile(amperes, 0.02)) ** 2, 0.0))
    return out


def _low_watts(watts: Floats) -> float:
    """The emptiest level between pump and strokes, near the usual one."""
    logs = np.sort(np.log(watts[(watts > 12.0) & (watts < 130.0)]))
    if len(logs) < 60:
        return LOW_W
    levels = np.log(np.geomspace(*LOW_RANGE_W, 13))
    held = np.searchsorted(logs, levels + LOW_WIDTH) - np.searchsorted(logs, levels - LOW_WIDTH)
    return float(np.exp(levels[np.argmin(held / len(logs) + LOW_TIE * np.abs(levels - np.log(LOW_W)))]))


def _wander(watts: Floats, width: int) -> Floats:
    """Highest less lowest within ``width`` seconds about each, shape as ``watts``; infinite where not heard throughout."""
    lost = np.isnan(watts)
    highest = maximum_filter1d(np.where(lost, np.inf, watts), width)
    lowest = minimum_filter1d(np.where(lost, -np.inf, watts), width)
    out: Floats = highest - lowest
    return out


def _strong_pump(watts: Floats, turning: NDArray[np.int8], wanders: Floats) -> float:
    """Watts of a pump that draws more than ``LOW_W``, else NaN: a flat level under the drum's strokes, or before a spin.

    It comes again, or lasts longer than a stroke does. Looked for only where no ordinary pump is seen before long turning.
    ``wanders`` is infinite where it can be no pump: the outlet is shut, or the machine shakes.
    """
    long = [(a, b) for a, b in _stretches(turning == 1) if b - a >= LONG_S]
    if not long:
        return float("nan")
    pumping = (turning == 0) & (watts > float(np.nanquantile(watts, 0.02)) + 11.0)
    before = sum(bool(pumping[max(a - 60, 0) : a].sum() >= 15) for a, _ in long)
    if before > 0.3 * len(long):
        return float("nan")
    strokes = [watts[a:b] for a, b in _stretches(turning == 1) if b - a < LONG_S]
    stroke = float(np.median(np.concatenate(strokes))) if strokes else 0.0
    found = []
    for a, b in _stretches((turning == 1) & (watts < STRONGEST_PUMP_W) & (wanders < FLAT * watts)):
        level, after = float(np.median(watts[a:b])), watts[b + 6 : b + 96]
        spins = np.isfinite(after).sum() >= 30 and float(np.nanquantile(after, 0.8)) > 1.25 * level
        if spins or level < 0.8 * stroke:
            found.append((level, b - a))
    best, most = float("nan"), 0
    for level, _ in found:
        alike = [seconds for other, seconds in found if abs(other - level) <= FLAT * level]
        if (len(alike) >= 2 or sum(alike) >= FLAT_ALONE_S) and sum(alike) > most:
            best, most = level, sum(alike)
    return best


def _on(share: Floats) -> NDArray[np.int8]:
    """1 where open or on, its pauses of under ``PAUSE_S`` with it."""
    out = np.full(len(share), UNKNOWN, dtype=np.int8)
    known = ~np.isnan(share)
    out[known] = share[known] > 0.5
    out[_joined(out == 1, PAUSE_S)] = 1
    return out


def _heater(watts: Floats, least: float) -> NDArray[np.int8]:
    """1 where the element is on, above ``least``; it must last some seconds, and its own level is learned."""
    out = np.full(len(watts), UNKNOWN, dtype=np.int8)
    known = ~np.isnan(watts)
    out[known] = 0
    high = known & (watts > least)
    if high.sum() < 8:
        return out
    level = float(np.quantile(watts[high], 0.6))
    on = known & (watts > max(0.6 * level, least))
    for begin, stop in _stretches(on):
        if stop - begin >= 8:
            out[begin:stop] = 1
    # A break of a few seconds inside heating belongs to it.
    gaps = _stretches(out != 1)
    for begin, stop in gaps:
        if begin > 0 and stop < len(out) and stop - begin < 6 and out[begin - 1] == 1 and out[stop] == 1:
            out[begin:stop] = 1
    return out


def _joined_by_shaking(
    turning: NDArray[np.int8],
    vibration: Floats,
    watts: Floats,
    low: NDArray[np.bool_],
    inlet: NDArray[np.int8],
    outlet: NDArray[np.int8],
    step: float,
) -> NDArray[np.int8]:
    """Turning by watts, and by vibration where watts do not show it: strokes merge in coarse watts, a ramp draws little.

    A pump shakes the machine too, so low watts that look like a pump's, or an outlet that is open, need more shaking.
    """
    shaken = _shaken(vibration, inlet, outlet)
    if step >= COARSE_S or np.isnan(watts).all():
        out = np.where(shaken >= 0, shaken, turning)
        out[_inside_long(low, step)] = 0
        return out.astype(np.int8)
    usual = _usual_shake(vibration, turning)
    pumping = (outlet == 1) | ((outlet == UNKNOWN) & (watts > float(np.nanquantile(watts, 0.02)) + 11.0))
    turns = low & (shaken == 1) & np.where(pumping, vibration > 2.0 * usual, vibration > 0.5 * usual)
    return np.where(turns, 1, turning).astype(np.int8)


def _pump_alone(x: Floats, pumping: NDArray[np.bool_]) -> float:
    """Level of ``x`` with the pump on and the drum at rest, 0 where it was never heard to start.

    From the quieter seconds just after its starts: a spin ramps up from rest, and strokes pause.
    """
    quiet = []
    for begin, stop in _stretches(pumping):
        part = x[begin + 1 : min(begin + 1 + PUMP_ALONE_S, stop)]
        part = np.sort(part[~np.isnan(part)])
        if len(part) >= 5:
            quiet.append(_middle(part[: len(part) // 3]))
    return float(np.quantile(quiet, 0.25)) if quiet else 0.0


def _usual_shake(vibration: Floats, turning: NDArray[np.int8]) -> float:
    """Median vibration while the drum turns by its watts; infinite where it was never heard then."""
    strokes = vibration[(turning == 1) & ~np.isnan(vibration)]
    return float(np.median(strokes)) if len(strokes) else float("inf")


def _shaken(vibration: Floats, inlet: NDArray[np.int8], outlet: NDArray[np.int8]) -> NDArray[np.int8]:
    """0 still, 1 turning, from vibration; the threshold lies between the machine's own two levels, without the pump's.

    Unknown throughout where strokes do not stand clear of a drum at rest.
    """
    out = np.full(len(vibration), UNKNOWN, dtype=np.int8)
    known = ~np.isnan(vibration)
    if known.sum() < 30:
        return out
    learned = known & _before_spins(inlet, outlet)
    if learned.sum() < 300:
        learned = known & (outlet == 0) if (known & (outlet == 0)).sum() > 300 else known
    logs = np.log(np.maximum(vibration[learned], 1e-4))
    still = float(np.quantile(logs, 0.05))
    top = still + float(np.log(STRONGEST_SHAKE))  # a spin must not hide the strokes below the cut
    # strokes may fill most of a run, or a few minutes of it: the commonest level that stands clear of still
    busy = next((q for q in np.quantile(logs, (0.9, 0.95, 0.98)) if q - still >= np.log(CLEAR_SHAKE)), None)
    if busy is None:
        return out
    logs = np.minimum(logs, top)
    cut = still + 0.4 * (min(float(busy), top) - still)
    for _ in range(6):  # two means, on logs
        low, high = logs[logs < cut], logs[logs >= cut]
        if not len(low) or not len(high):
            break
        cut = 0.5 * (float(low.mean()) + float(np.median(high)))
    out[known] = np.log(np.maximum(vibration[known], 1e-4)) > cut
    return out


def _before_spins(inlet: NDArray[np.int8], outlet: NDArray[np.int8]) -> NDArray[np.bool_]:
    """Seconds in which no drum spins: before anything is heard of inlet and outlet, and from each fill to the next pumping."""
    seconds = np.arange(len(inlet))
    filled = np.maximum.accumulate(np.where(inlet == 1, seconds, -1))
    pumped = np.maximum.accumulate(np.where(outlet == 1, seconds, -1))
    heard = bool((inlet >= 0).any() and (outlet >= 0).any())
    return (pumped < 0) | (filled > pumped) if heard else np.zeros(len(inlet), dtype=bool)


def _inside_long(low: NDArray[np.bool_], step: float) -> NDArray[np.bool_]:
    """Seconds well inside stretches of low watts: no drum turns there, though a pump may shake the machine."""
    out = np.zeros(len(low), dtype=bool)
    edge = int(np.ceil(step))
    for begin, stop in _stretches(low):
        if stop - begin >= 4 * edge:
            out[begin + edge : stop - edge] = True
    return out


def _stretches(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


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
    block, rough = np.zeros(n), np.zeros(n)
    lag = max(round(frames.step_s), 1)
    for begin, end in _stretches(_joined(frames.turning == 1, 2 if frames.step_s < 3 else 0)):
        block[begin:end] = end - begin
        rough[begin:end] = _roughness(frames.watts[begin:end], lag)
    still, filling = np.zeros(n), np.zeros(n)
    for begin, end in _stretches(frames.inlet == 1):
        filling[begin:end] = end - begin
    resting = (frames.turning == 0) & (frames.heater != 1) & (frames.inlet != 1) & (frames.outlet != 1)
    for begin, end in _stretches(resting):
        cuts = np.flatnonzero(np.diff(level[begin:end])) + begin + 1
        for a, b in pairwise([begin, *cuts.tolist(), end]):
            still[a:b] = b - a
    # A sample that straddles a change is a mean over both sides: levels are read from the inside.
    edge = int(np.ceil(frames.step_s)) if frames.step_s >= 1.0 else 0
    watts = np.array([_middle(_inside(frames.watts, a, b, edge)) for a, b in zip(start, stop, strict=True)])
    shake = np.array([_middle(frames.vibration[a:b]) for a, b in zip(start, stop, strict=True)])
    return Runs(
        start, stop - start, frames.heater[start], frames.turning[start], frames.inlet[start],
        frames.outlet[start], watts, shake, block[start], filling[start], still[start], rough[start],
    )  # fmt: skip


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


def _roughness(watts: Floats, lag: int) -> float:
    """Median jump over one sample as a share of the median level; 0 where it cannot be said."""
    if len(watts) < 4 * lag or not np.isfinite(watts).any():
        return 0.0
    jumps = np.abs(watts[lag:] - watts[:-lag])
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


def _middle(x: Floats) -> float:
    known = x[~np.isnan(x)]
    return float(np.median(known)) if len(known) else float("nan")


def _joined(mask: NDArray[np.bool_], breaks: int) -> NDArray[np.bool_]:
    out = mask.copy()
    for begin, stop in _stretches(~mask):
        if begin > 0 and stop < len(mask) and stop - begin <= breaks:
            out[begin:stop] = True
    return out


def _levels(frames: Frames) -> NDArray[np.int8]:
    """A number that changes where the watts of a still stretch step by more than 3 W for some seconds."""
    still = (frames.turning == 0) & (frames.heater == 0)
    out = np.zeros(len(still), dtype=np.int8)
    if not frames.sees_heat:
        return out
    for begin, stop in _stretches(still & ~np.isnan(frames.watts)):
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
