"""What the pads saw: dry level followed, wet events found and dated, faults told apart.

On a 1 s grid of log conductance. A sequential test (Page 1954) against a followed level and slope
raises the alarm; the rise over two minutes confirms it, since drift, steam and hum do not last as a
step does; the onset is dated back by maximum likelihood. Innovations are clipped and the level
follows more slowly while something is suspected, but never stands still: that would turn every drift into a leak.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import median_filter

from soaktest.analysis.change import find_onset, follow, page_step
from soaktest.analysis.conductance import (
    DAMPEST_DRY_S,
    DRY_FLOOR_S,
    conductance,
    log_conductance,
    wetness,
)
from soaktest.analysis.drying import dry_again, stays_below
from soaktest.analysis.events import SIEMENS_PER_ML, PadCheck, PadEvent, PadTrack
from soaktest.analysis.onset_search import (
    CREEP_S,
    TRACE_S,
    above_noise,
    before_creep,
    countable,
    crept_from,
    first_step,
    first_trace,
    last_at_level,
    last_silence,
    means_of,
    settled_level,
)
from soaktest.analysis.pad_health import Health, adc_step, judge_health
from soaktest.analysis.pad_noise import LEAST_RISE, Noise, noise_of
from soaktest.analysis.series import EMPTY, Floats, PadWiring, Series, Signals, per_second
from soaktest.analysis.shared_rise import share_rises
from soaktest.analysis.small_rises import by_drops, first_edge
from soaktest.analysis.wet_on_damp import wetted_while_damp
from soaktest.plans import DROP_ML
from soaktest.vocabulary import ZONES, Zone, percent

SLACK = 1.0
ALARM = 14.0
"""Page's test in units of the noise: with slack 1 and threshold 14 white noise alarms once in years."""
OWN_LEAST = 0.9
"""Share of what an end-of-line resistor conducts by its name that it does in truth, and a pad at the least."""
DRIFTING = 1.0
"""Decades: a dry level that wanders tenfold may hide water that comes as slowly."""
HUM = 0.04
"""Decades from one second to the next: a tenth, and no pad's own noise. Leads beside a motor's pick up hum."""
FULL = 0.985
"""Share of the input's range beyond which one step of the converter is a twentieth of the conductance, or more."""
SURELY_SEEN = 1.15
"""Injected into dry runs of wide benches, a lasting rise of so many times the least one is seen in 90 % of them."""
COUNTS_ML = DROP_ML / 2
"""Where no step shows the first drop, water is dated when half a drop is on the pad: traces run ahead of water that creeps along a floor."""
FIRST_SHARE = 0.1
"""Of what two minutes bring, the part that is no trace of it any more, on a pad that conducts less than any other."""
SLANT_S = 30
"""Seconds by which a creeping onset may have been later, at the most."""
STEP_SLANT_S = 10
"""The same where a step shows that something of it was there."""
LATE_S = 10
"""The same of an onset by its likelihood."""
EDGE_LOW_S, EDGE_HIGH_S = 5, 12
"""Seconds by which water may have come before an edge in a small rise, and after it as an amount that counts."""
SOAKS_IN_S = 11.0
"""Seconds that the first water may need from a pad's edge to its tracks, where it shows nothing, on the slowest of pads."""
UNHEARD_S = 4.0
"""Seconds unheard before an onset that make it one of unknown time: the middle is told, and the interval holds them."""
CONFIRM_S = 120
LEARN_S = 45
"""Seconds from which a level is learned before anything is tested."""


@dataclass(frozen=True, slots=True)
class _Level:
    """A followed level: value now, slope per second."""

    value: float
    slope: float


def read_pads(signals: Signals, pad_checks: Mapping[Zone, PadCheck] | None = None) -> dict[Zone, PadTrack]:
    """All three pads, each with its state, its dry level and its wet events.

    ``pad_checks`` prove pads that have no end-of-line resistor.
    """
    checks = pad_checks or {}
    read = {
        zone: _read_pad(
            zone,
            signals,
            signals.pads.get(zone, EMPTY),
            signals.wiring.get(zone, PadWiring()),
            checks.get(zone),
        )
        for zone in ZONES
    }
    tracks = share_rises({zone: track for zone, (track, _) in read.items()}, signals.wiring)

    def seek(zone: Zone, t: Floats, log_g: Floats) -> list[PadEvent]:
        noise = read[zone][1]
        found = _find_events(zone, t, log_g, noise, None)[0] if noise else []
        return [_with_clock(event, signals.clock_error_s.get(zone, 0.0)) for event in found]

    return wetted_while_damp(tracks, signals.wiring, seek)


def _read_pad(
    zone: Zone, signals: Signals, series: Series, wiring: PadWiring, check: PadCheck | None
) -> tuple[PadTrack, Noise | None]:
    health = judge_health(series, wiring, signals, proven_by_check=check is not None)
    t, ratio = per_second(series, signals.began)
    good = health.good_seconds(t)
    t, ratio = t[good], ratio[good]
    if len(t) < 5:
        return _unread(zone, health), None
    own_dry = 1.0 / wiring.end_of_line_ohm if wiring.end_of_line_ohm else 0.0
    # a lead that chatters shows less than its resistor does; nobody's water ends where the resistor begins
    log_g = log_conductance(np.maximum(conductance(ratio, wiring), OWN_LEAST * own_dry))
    noise, slow_noise = noise_of(log_g, t)
    log_g = median_filter(log_g, size=3, mode="nearest")  # a spike of one second is no water
    first = float(np.median(log_g[:10]))
    dampest = float(np.log10(own_dry + DAMPEST_DRY_S))
    wet_at_start = first > dampest
    per_ml = check.siemens_per_ml if check else SIEMENS_PER_ML
    least, usual, most = per_ml
    noises = Noise(
        noise,
        slow_noise,
        (COUNTS_ML * (least * usual) ** 0.5, COUNTS_ML * most),
        adc_step(series.v),
        wiring.divider_ohm,
    )
    found, dry = _find_events(zone, t, log_g, noises, dampest if wet_at_start else None)
    clock = signals.clock_error_s.get(zone, 0.0)
    events = tuple(_with_clock(event, clock) for event in found)
    state, note = health.state, health.note or _remarks(ratio, noise)
    until = int(np.searchsorted(t, min(e.onset_low for e in events) - 60.0)) if events else len(t)
    wandered = float(np.ptp(dry[:until])) if until > 0 else 0.0
    if state in ("sound", "unproven") and not wet_at_start and wandered > DRIFTING:
        state, note = "drifting", f"the dry level wandered by a factor of {10.0**wandered:.0f}"
    track = PadTrack(
        zone=zone,
        state=state,
        note=note,
        dry_siemens=float(f"{max(10.0 ** float(np.median(dry)) - DRY_FLOOR_S, 0.0):.4g}"),
        t=t,
        log_g=log_g,
        dry=dry,
        noise=noise,
        smallest_rise=SURELY_SEEN * (noises.least_rise(float(np.median(dry))) + 1.3 * slow_noise),
        wet_at_start=wet_at_start,
        sound_spans=health.sound_spans,
        siemens_per_ml=per_ml,
        events=events,
    )
    return track, noises


def _remarks(ratio: Floats, noise: float) -> str:
    """What a sound pad's readings show beside water: hum, and water beyond what its input can tell; empty where neither."""
    said = []
    if noise > HUM:
        said.append(f"hum: it swings by {percent(10.0**noise - 1.0)} from second to second")
    soaked = int((ratio > FULL).sum())
    if soaked > 10:
        said.append(f"soaked for {soaked} s: it conducted more than its input can tell")
    return "; ".join(said)


def _unread(zone: Zone, health: Health) -> PadTrack:
    empty = np.empty(0)
    return PadTrack(
        zone, health.state, health.note, None, empty, empty, empty, float("nan"), float("nan"),
        sound_spans=health.sound_spans,
    )  # fmt: skip


def _find_events(
    zone: Zone, t: Floats, x: Floats, noise: Noise, dampest: float | None
) -> tuple[list[PadEvent], Floats]:
    """Walk the seconds once; returns the events and the followed dry level, shape (seconds,).

    ``dampest`` is the log level that no dry pad exceeds, given where the pad was wet at the start.
    """
    events: list[PadEvent] = []
    doubtful: list[int] = []
    dry = np.full(len(x), np.nan)
    begin = 0
    if dampest is not None:
        level = float(np.quantile(x, 0.02))
        end = stays_below(x, dampest)
        stop = end if end is not None else len(x)
        dry[:stop] = level
        events.append(_event(zone, t, x, _Found(0, 0, 0, end, level, 99.0), at_start=True))
        begin = stop
    dried = begin
    while begin < len(x):
        alarm = _watch(t, x, begin, noise, dry)
        if alarm is None:
            break
        found = _confirm(t, x, (dried, begin), alarm, noise)
        if found is not None:
            wettings = _from_first_edge(x, dried, doubtful, found, noise)
        else:
            doubtful.append(alarm.at)
            wettings = _by_drops(t, x, dried, doubtful, alarm, noise)
        if not wettings:
            begin = alarm.at + 1
            continue
        doubtful = []
        for wetting in wettings:
            stop = wetting.end if wetting.end is not None else len(x)
            dry[wetting.onset : stop] = wetting.level
            events.append(_event(zone, t, x, wetting))
        begin = dried = max(stop, alarm.at + 1)
    return events, _filled(dry, x)


def _filled(dry: Floats, x: Floats) -> Floats:
    """The dry level where it was not followed, from beside; the median reading where it never was."""
    known = np.flatnonzero(~np.isnan(dry))
    if not len(known):
        return np.full(len(x), float(np.median(x)))
    return np.interp(np.arange(len(x)), known, dry[known])


@dataclass(frozen=True, slots=True)
class _Alarm:
    at: int
    level: _Level
    strength: float


def _watch(t: Floats, x: Floats, begin: int, noise: Noise, dry: Floats) -> _Alarm | None:
    """Page's test from ``begin`` on; fills ``dry`` as far as it gets. None when nothing alarms."""
    sigma = noise.sigma
    head = x[begin : begin + LEARN_S]
    level, slope = float(np.median(head[: max(5, len(head) // 2)])), 0.0
    total, clip = 0.0, 2.5 * sigma
    values, times = x.tolist(), t.tolist()
    last = times[begin]
    for i in range(begin, len(values)):
        step = times[i] - last
        last = times[i]
        if step > 1.5:
            slope *= 0.5 ** (step / 60.0)  # a trend is not carried far over silence
        level += slope * step
        off = values[i] - level
        dry[i] = level
        total = page_step(total, off / sigma, SLACK)
        if total > ALARM:
            return _Alarm(i, _Level(level, slope), total / ALARM)
        held = min(max(off, -clip), clip)
        # The level follows within about a minute, five times more slowly under suspicion.
        gain = (1 / 40 if i - begin > LEARN_S else 1 / 12) * (0.2 if total > 4.0 else 1.0)
        level = follow(level, level + held, gain)
        slope += gain * gain / 4 * held
        slope = min(max(slope, -0.002), 0.002)
    return None


@dataclass(frozen=True, slots=True)
class _Found:
    onset: int
    low: int
    high: int
    end: int | None
    level: float
    strength: float


def _confirm(t: Floats, x: Floats, since: tuple[int, int], alarm: _Alarm, noise: Noise) -> _Found | None:
    """Does the rise last as water does? Dates the onset where it does.

    ``since`` are the seconds from which the pad was dry, and from which it was listened to after the last doubtful alarm.
    """
    dried, begin = since
    onset_low = max(begin, alarm.at - 300)
    base = x[onset_low : max(onset_low + 5, alarm.at - 40)]
    stop = int(np.searchsorted(t, t[alarm.at] + CONFIRM_S))
    after = x[alarm.at : stop]
    level = settled_level(x, onset_low, alarm.at, alarm.level.value)
    late = after[-max(3, len(after) // 4) :]
    rise = float(np.median(late)) - level
    lasting = median_filter(x[max(begin, alarm.at - 8) : stop], size=9, mode="reflect")
    peak = float(lasting.max()) - level
    short = t[min(stop, len(t)) - 1] - t[alarm.at] < 20
    least = noise.least_rise(level)
    # What the level was doing by itself before must not explain the rise.
    wander = 3.0 * float(np.ptp(means_of(base, 15))) if len(base) >= 60 else 0.0
    if rise < max(least * (2.0 if short else 1.0), min(wander, 0.15)) and peak < 0.3:
        return None
    early = float(np.median(after[:20])) - level
    soon = float(lasting[: 8 + 20].max()) - level
    if rise < 0.25 * LEAST_RISE or (early < 0.4 * least and (rise > 4 * early or peak > 4 * soon)):
        return None  # what rose later will alarm by itself, and be dated then
    onset_low, level = before_creep(x, dried, onset_low, alarm.at, level, noise.sigma)
    onset_low += last_at_level(x[onset_low : alarm.at], level, noise.sigma)
    low, onset, high = _date(x[:stop], onset_low, alarm.at, level, noise)
    heard_from = max(dried, alarm.at - CREEP_S, last_silence(t, alarm.at))
    step = first_step(x[:stop], heard_from, alarm.at, noise)
    if step is not None and step < onset:
        quiet = settled_level(x, heard_from, step - 20, level)
        low = first_trace(x, max(heard_from, step - 40), step - 3, quiet, noise.fast)
        # less than any water usually makes may be something else's: then the bulk stays within the interval
        brings = 10.0 ** float(np.median(x[step : step + 4])) - 10.0**quiet
        latest = min(high, step + STEP_SLANT_S) if brings >= TRACE_S else onset + 1
        onset, high = step, min(max(step + 3, latest), stop - 1)
    crept = crept_from(x, heard_from, onset, noise.sigma)
    if crept is not None:
        onset, level = crept[0], min(level, crept[1])
        low = min(low, onset)
    top = alarm.at + int(np.argmax(after))  # it must have been wet before it can be dry again
    end = dry_again(x, top, level, peak, noise)
    return _Found(onset, max(low, dried), high, end, level, alarm.strength)


def _by_drops(
    t: Floats, x: Floats, dried: int, doubtful: list[int], alarm: _Alarm, noise: Noise
) -> list[_Found]:
    drops = by_drops(t, x, dried, doubtful, noise)
    if drops is None:
        return []
    end = dry_again(x, drops.stop - 1, drops.level, drops.top - drops.level, noise)
    return [_Found(*_around(drops.onset, dried, drops.stop - 1), end, drops.level, alarm.strength)]


def _from_first_edge(x: Floats, dried: int, doubtful: list[int], found: _Found, noise: Noise) -> list[_Found]:
    """A wetting from where its first doubtful rise set in; two, where the pad was dry again before more came."""
    edge = first_edge(x, dried, doubtful, found.onset, noise.sigma)
    if edge is None:
        return [found]
    onset, low, high = _around(edge.onset, dried, found.onset)
    if edge.dry_again is None:
        return [replace(found, onset=onset, low=low, high=high)]
    return [_Found(onset, low, high, edge.dry_again, edge.level, 1.0), found]


def _around(onset: int, dried: int, latest: int) -> tuple[int, int, int]:
    """An onset that an edge shows, with its low and high end."""
    return onset, max(onset - EDGE_LOW_S, dried), min(onset + EDGE_HIGH_S, latest)


def _date(x: Floats, begin: int, at: int, level: float, noise: Noise) -> tuple[int, int, int]:
    """Low end, onset and high end of when half a drop was on the pad: indices, found from ``begin`` to a little after the alarm."""
    found = find_onset(np.clip((x[begin : at + 4] - level) / noise.sigma, -4.0, 12.0))
    trace = first_trace(x, begin, begin + found.index, level, noise.sigma)
    # Water that creeps in passes a countable amount at a slant: what it conducts, and so when, is known to a factor.
    told = above_noise(level, noise.sigma)
    least, most = noise.counts
    least = min(least, FIRST_SHARE * (10.0 ** float(np.median(x[-10:])) - 10.0**level))
    early, late = (countable(x, trace, level, max(siemens, told)) for siemens in (least, most))
    onset = trace if early is None else early
    latest = min(onset + SLANT_S, len(x) - 1 if late is None else late)
    return min(begin + found.low, trace), onset, max(min(begin + found.high, onset + LATE_S), latest)


def _event(zone: Zone, t: Floats, x: Floats, found: _Found, *, at_start: bool = False) -> PadEvent:
    stop = found.end if found.end is not None else len(x)
    part = x[found.onset : max(stop, found.onset + 1)]
    rise = float(part.max()) - found.level
    above = part - found.level
    before = x[max(0, found.onset - 5) : max(1, found.onset - 2)] - found.level
    first5 = float(above[: min(8, len(above))].max()) - (0.0 if at_start else max(float(before.mean()), 0.0))
    # A slow rise is under way before its onset can be told: 10 % is sought from the interval's low end.
    reached = np.maximum.accumulate(x[min(found.low, found.onset) : max(stop, found.onset + 1)] - found.level)
    gap = float(t[found.onset] - t[max(found.onset - 1, 0)]) - 1.0
    unheard = gap if gap > UNHEARD_S else 0.0  # it came while the pad was not heard, nobody knows when
    low = min(found.low, found.onset - 1) if unheard else found.low
    i10, i90 = int(np.argmax(reached >= 0.1 * rise)), int(np.argmax(reached >= 0.9 * rise))
    return PadEvent(
        zone=zone,
        onset=float(t[found.onset]) - 0.5 - unheard / 2,
        onset_low=float(t[low]) - 1.5 - (0.0 if at_start else SOAKS_IN_S),
        onset_high=float(t[found.high]) - 0.5,
        end=float(t[found.end]) if found.end is not None else None,
        rise=rise,
        peak_wetness=wetness(float(part.max()), found.level),
        strength=found.strength,
        shared=0.0,
        step_share=float(np.clip(first5 / max(rise, 1e-6), 0.0, 1.0)),
        smooth_s=float(i90 - i10),
        at_start=at_start,
    )


def _with_clock(event: PadEvent, clock_error: float) -> PadEvent:
    wide = 1.645 * clock_error
    return replace(event, onset_low=event.onset_low - wide, onset_high=event.onset_high + wide)
