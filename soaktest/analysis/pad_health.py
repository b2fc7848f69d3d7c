"""Is a pad to be trusted: broken, shorted, stuck or silent, and proven whole or not.

The end-of-line resistor sets the floor: below half of its reading the lead is broken. A short jumps
above what any water reaches. A quiet dry pad may honestly read one code for hours, so a reading
that never moves is a fault only where the same input moved before.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d

from soaktest.analysis.conductance import SHORT_S, conductance
from soaktest.analysis.series import Floats, PadWiring, Series, Signals
from soaktest.analysis.stretches import stretches
from soaktest.vocabulary import PadState, span_in_words

UNSOUND_S = 5.0
"""Broken or shorted for longer than this in all, a pad is not sound."""
SOAKING_S = 20.0
SOAKING_SHARE = 0.25
"""A pad that was wet for so much of the last seconds before it conducts like a short was soaked, not shorted."""
WET_S = 5e-5
"""Siemens that no dry pad has."""
TOUCHING_S, AT_ONCE_S, FLAT = 1.5e-3, 1.1, 0.1
"""Siemens that water brings a pad to over seconds, and not within so many; and the share by which it goes on to grow or wander."""
STUCK_S = 180.0
HEARD_LEAST = 0.5
"""Heard for less than this share of the run, a pad counts as silent."""
FALLEN = 0.3
"""Share of a dry level of few steps below which it fell to nothing: noise about zero still reads half a step."""
SLOWLY_S, ABRUPT = 240.0, 1.5
"""Within so long before it fell it stood so much higher: what sinks more slowly has dried."""
BREAKS_S, BREAKS_FROM = 30.0, 3.0
"""A lead that breaks takes a pad to nothing from so many times as much, within so long; a wet pad that dries sinks more slowly."""
HUM_S, FALLS_MOST = 5e-8, 2
"""Siemens of a level that, where it comes and goes more often, is hum from the mains, whose beat the pad picks up."""
SILENT_CODES, SILENT_S, BACK = 0.25, 2.0, 0.7
"""Steps of the converter, and seconds, that such a pad reads nothing for as its hum beats; and the share of its level that it comes back to."""
NOTHING_CODES, LITTLE_CODES, WET_CODES = 1.5, 20.0, 100.0
"""Steps of the converter that are nothing, those that a lost lead may pick up, and those of a pad that is clearly wet."""
LOST_S = 1.1
"""A pad that was wet and reads nothing so many seconds later has lost its lead: no water goes so fast."""
JOIN_S = 1.6
"""Samples no farther apart than this are one stretch of hearing."""


@dataclass(frozen=True, slots=True)
class Health:
    """What is wrong with a pad, if anything, and the stretches in which it was heard and sound."""

    state: PadState
    note: str
    sound_spans: tuple[tuple[float, float], ...]
    bad_spans: tuple[tuple[float, float], ...]

    def good_seconds(self, t: Floats) -> NDArray[np.bool_]:
        """Which of the seconds (their middles, UTC) lie outside the bad stretches."""
        good = np.ones(len(t), dtype=bool)
        for begin, end in self.bad_spans:
            good &= (t < begin - 1.0) | (t > end + 1.0)
        return good


def judge_health(series: Series, wiring: PadWiring, signals: Signals, *, proven_by_check: bool) -> Health:
    """Judge one pad's raw readings over the run."""
    length = max(signals.ended - signals.began, 1.0)
    if not len(series):
        return Health("silent", "no reading arrived", sound_spans=(), bad_spans=())
    step = min(max(series.step_s if len(series) > 1 else 1.0, 0.05), 1.0)
    settled = Series(series.t, _settled(series.v, step))
    broken = np.zeros(len(series), dtype=bool)
    if wiring.end_of_line_ohm:
        floor = wiring.divider_ohm / (wiring.divider_ohm + wiring.end_of_line_ohm)
        broken = settled.v < 0.5 * floor
    else:
        broken = _fallen(series, settled.v, wiring, step)
    shorted = _shorted(series.t, conductance(settled.v, wiring))
    stuck = (_stuck(series) | _alone_unmoving(series, wiring, signals)) & ~broken & ~shorted
    bad = broken | shorted | stuck
    spans = _spans(series.t[~bad], step)
    heard_s = sum(end - begin for begin, end in _spans(series.t, step))
    proven = proven_by_check or (
        wiring.end_of_line_ohm is not None and not bad[:20].any() and not bad[-20:].any()
    )
    state: PadState = "sound" if proven else "unproven"
    note = ""
    for kind, mask, said in (
        (
            "open",
            broken,
            "reads less than the resistor at its far end" if wiring.end_of_line_ohm else "reads nothing",
        ),
        ("short", shorted, "conducts more than any water does"),
        ("stuck", stuck, "gave one unmoving value"),
    ):
        seconds = float(mask.sum()) * step
        if seconds > UNSOUND_S:
            first = float(series.t[np.argmax(mask)]) - signals.began
            state = kind  # type: ignore[assignment]
            note = f"{said} for {span_in_words(seconds)}, from {span_in_words(first)} into the run on"
    if state in ("sound", "unproven") and heard_s < HEARD_LEAST * length:
        state, note = "silent", f"heard for {span_in_words(heard_s)} of {span_in_words(length)}"
    return Health(state, note, spans, _spans(series.t[bad], step))


def _shorted(t: Floats, siemens: Floats) -> NDArray[np.bool_]:
    """Samples above what water usually reaches, but for those that a pad came to by growing wetter.

    Suds on long tracks conduct as well as a short does; but tracks that touch do so from one sample
    to the next, and water takes its time.
    """
    out = siemens > SHORT_S
    for begin, stop in stretches(out):
        before = (t > t[begin] - SOAKING_S) & (t < t[begin] - 1.0)
        if before.any() and float((siemens[before] > WET_S).mean()) > SOAKING_SHARE:
            out[begin:stop] = False
    return out | _touching(t, siemens)


def _touching(t: Floats, siemens: Floats) -> NDArray[np.bool_]:
    """Samples of tracks that touch through some resistance: from dry to as much as a soaked pad at one sample, and no more after."""
    out = np.zeros(len(t), dtype=bool)
    for begin, stop in stretches(siemens > TOUCHING_S):
        before = (t > t[begin] - AT_ONCE_S) & (t < t[begin])
        after = siemens[begin:stop][t[begin:stop] < t[begin] + SOAKING_S]
        if (
            before.any()
            and siemens[before].min() < WET_S
            and len(after) > 1
            and np.ptp(after) < FLAT * after[0]
        ):
            out[begin:stop] = True
    return out


def adc_step(v: Floats) -> float:
    """The converter's step, found as the least distance between two readings; 0 where it never moved."""
    codes = np.unique(v[v > 0])
    return float(np.min(np.diff(codes))) if len(codes) > 1 else 0.0


def _settled(v: Floats, step: float) -> Floats:
    """Readings without spikes and converter noise: a running median of five, then a mean over a second.

    A lead that parts for less than three samples is not told from a spike.
    """
    quiet = median_filter(v, size=5, mode="nearest")
    width = round(1.0 / step)
    out: Floats = uniform_filter1d(quiet, width, mode="nearest") if width > 1 else quiet
    return out


def _fallen(series: Series, settled: Floats, wiring: PadWiring, step: float) -> NDArray[np.bool_]:
    """Samples of a pad without end-of-line resistor that fell to nothing from a clear dry level.

    Where that level is a few of the converter's steps, means over a minute tell it; below that a
    broken lead cannot be told from a dry pad, and the pad stays unproven. A lead breaks from one minute
    to the next; air that dries takes a pad down as far, but slowly.
    """
    head = series.v[: max(int(120 / step), 10)]
    dry = float(np.median(head))
    code = adc_step(series.v)
    lost = _lost_while_wet(series.v, settled, code, step)
    if dry > 0.5:
        return lost
    if dry >= 10 * code:
        nothing = max(0.05 * dry, NOTHING_CODES * code)
        low = settled < nothing
        # what was low from the beginning fell from nothing: it was wetted since
        low &= np.logical_or.accumulate(~low)
        out = _at_once(low, settled, round(BREAKS_S / step), BREAKS_FROM * nothing)
    else:
        level = float(
            np.mean(np.minimum(head, dry + 4 * code))
        )  # water within those two minutes is no dry level
        if level < NOTHING_CODES * code:
            return lost
        minute = uniform_filter1d(series.v, max(int(60.0 / step), 10), mode="nearest")
        out = _at_once(minute < FALLEN * level, minute, round(SLOWLY_S / step), ABRUPT * FALLEN * level)
    falls = max(len(stretches(out)), _beats(settled, SILENT_CODES * code, BACK * dry, step))
    hums = conductance(np.array([dry]), wiring)[0] < HUM_S and falls > FALLS_MOST
    return lost if hums else out | lost


def _beats(settled: Floats, nothing: float, back: float, step: float) -> int:
    """How often the readings stood at nothing and came back."""
    silent = [(a, b) for a, b in stretches(settled < nothing) if b - a > SILENT_S / step]
    until = pairwise([*silent, (len(settled), len(settled))])
    return sum(bool(settled[stop:end].max(initial=0.0) > back) for (_, stop), (end, _) in until)


def _lost_while_wet(v: Floats, settled: Floats, code: float, step: float) -> NDArray[np.bool_]:
    """Samples that read nothing since a wet pad came to it from one sample to the next: its lead broke."""
    out = np.zeros(len(v), dtype=bool)
    within = 1 + round(LOST_S / step)
    for begin, stop in stretches(settled < LITTLE_CODES * code):
        was, then = v[max(begin - within, 0) : begin], settled[begin : min(begin + within, stop)]
        if len(was) and was.max() > WET_CODES * code and then.min() < NOTHING_CODES * code:
            out[begin:stop] = True
    return out


def _at_once(low: NDArray[np.bool_], level: Floats, within: int, least: float) -> NDArray[np.bool_]:
    """Those stretches of low samples that begin within so many samples of as high a level; what is low from the first is one."""
    out = low.copy()
    for begin, stop in stretches(low):
        before = level[max(begin - within, 0) : begin]
        if len(before) and float(before.max()) < least:
            out[begin:stop] = False
    return out


def _stuck(series: Series) -> NDArray[np.bool_]:
    """Samples of a long stretch without any movement, on an input that is never quiet elsewhere.

    (A quiet pad may toggle between two codes for a while, or move only while the drum shakes it. Below the converter's
    first step a dry pad does not move at all.)
    """
    out = np.zeros(len(series), dtype=bool)
    moved = np.diff(series.v) != 0
    edges = np.concatenate(([0], np.flatnonzero(moved) + 1, [len(series)]))
    k = int(np.argmax(np.diff(edges)))
    begin, stop = int(edges[k]), int(edges[k + 1])
    if series.t[stop - 1] - series.t[begin] <= STUCK_S or series.v[begin] <= 0.0:
        return out
    if _never_quiet([series.v[:begin], series.v[stop:]], series.step_s):
        out[begin:stop] = True
    return out


def _never_quiet(parts: list[Floats], step_s: float) -> bool:
    """Whether even the quietest minutes move at every fourth sample and over three values or more."""
    minute = max(int(60.0 / max(step_s, 0.05)), 20)
    quiet: list[float] = []
    for part in parts:
        blocks = part[: len(part) // minute * minute].reshape(-1, minute)
        share = (np.diff(blocks, axis=1) != 0).mean(axis=1)
        three = np.array([len(np.unique(block)) >= 3 for block in blocks], dtype=bool)
        quiet += np.where(three, share, 0.0).tolist()
    return len(quiet) >= 3 and float(np.quantile(quiet, 0.1)) > 0.25


def _alone_unmoving(series: Series, wiring: PadWiring, signals: Signals) -> NDArray[np.bool_]:
    """All samples, where this input gave one value all along while both others, wired alike and near its level, are never quiet."""
    others = [
        (other, signals.wiring.get(zone, PadWiring()))
        for zone, other in signals.pads.items()
        if other is not series and len(other)
    ]
    level = float(series.v[0])
    stuck = (
        bool(np.ptp(series.v) == 0.0)
        and float(series.t[-1] - series.t[0]) > STUCK_S
        and len(others) == 2
        and all(
            wired == wiring
            and level / 2 < float(np.median(other.v)) < 2 * level
            and _never_quiet([other.v], other.step_s)
            for other, wired in others
        )
    )
    return np.full(len(series), stuck)


def _spans(t: Floats, step: float) -> tuple[tuple[float, float], ...]:
    """Stretches covered by samples; each sample speaks for the step before it."""
    if not len(t):
        return ()
    cuts = np.flatnonzero(np.diff(t) > max(JOIN_S, 2.5 * step)) + 1
    starts, ends = np.concatenate(([0], cuts)), np.concatenate((cuts, [len(t)])) - 1
    return tuple((float(t[a]) - step, float(t[b]) + step) for a, b in zip(starts, ends, strict=True))
