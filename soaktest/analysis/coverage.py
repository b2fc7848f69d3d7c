"""How much of the watch was heard, and what the machine was made to do.

All spans are UTC seconds. The watch runs from the first fill to the end of the run; the
drip watch from the end of the last drain or spin.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soaktest.analysis.events import PadTrack
from soaktest.analysis.series import EMPTY, Floats, PhaseTrack, Signals
from soaktest.plans import Plan
from soaktest.vocabulary import PHASE_SIGNALS, PHASES, ZONES, Phase, Zone, listed

STRETCH_JOIN_S = 20
"""Stretches of one phase less than this apart are one (the contract)."""
TUMBLED_LEAST_S = 45.0
"""Seconds that the drum tumbles in its water in the shortest wash or rinse that is sold, and more: less is no wash, but a spin misread."""
STRETCH_LEAST_S = 10
"""A stretch of a phase counts from this length on (the contract)."""

TOGETHER = 0.8
"""Who was silent for such a share of the same time fell silent together."""
UNHEARD_FILL_S = 120.0
"""About how long a first fill takes that no signal showed."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """One stretch of one phase, small breaks joined; UTC seconds."""

    phase: Phase
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Heard:
    """What of the run was heard and exercised."""

    stretches: tuple[Stretch, ...]
    washes: int
    """Complete washes."""
    to_come: tuple[Phase, ...]
    """What the wash under way still lacks to be complete; empty where none is under way."""
    first_fill: float | None
    first_water: float | None
    """When water was first let in or seen at work."""
    last_water: float | None
    """When the last drain or spin ended, or what looked like water let in or heated after it; None where there was none."""
    watched_s: float
    share: float
    """Share of the watch in which all three pads were heard and sound."""
    longest_gap_s: float
    gap_of: str
    gap_at: float
    """Where the longest gap began."""
    dry_watch_s: float
    drip_watch_s: float
    exercised: dict[Phase, int]


def survey(signals: Signals, pads: Mapping[Zone, PadTrack], phases: PhaseTrack, plan: Plan) -> Heard:
    """Measure coverage and exercise for ``plan``."""
    stretches = find_stretches(phases)
    first_fill = next((s.start for s in stretches if s.phase == "fill"), None)
    water_ends = [s.end for s in stretches if s.phase in ("drain", "spin")]
    # What seems to let water in or heat it after the last spin may be the spin misread: the watch does not begin before it.
    again = [s.end for s in stretches if s.phase in ("fill", "heat")]
    last_water = max(water_ends + again) if water_ends else None
    watch_from = first_fill if first_fill is not None else signals.began
    gap_s, gap_of, gap_at = _longest_gap(signals, watch_from)
    seconds = np.arange(np.floor(watch_from), np.floor(signals.ended), dtype=np.float64)
    sound = np.ones(len(seconds), dtype=bool)
    for zone in ZONES:
        sound &= _inside(seconds, pads[zone].sound_spans)
    water = first_water(stretches)
    dry_until = signals.ended if water is None else water
    washes, to_come = count_washes(stretches, plan)
    return Heard(
        stretches=tuple(stretches),
        washes=washes,
        to_come=to_come,
        first_fill=first_fill,
        first_water=water,
        last_water=last_water,
        watched_s=max(0.0, signals.ended - watch_from) if first_fill is not None else 0.0,
        share=float(sound.mean()) if len(sound) else 0.0,
        longest_gap_s=gap_s,
        gap_of=gap_of,
        gap_at=gap_at,
        dry_watch_s=_watched_between(pads, signals.began, dry_until),
        drip_watch_s=max(0.0, signals.ended - last_water) if last_water is not None else 0.0,
        exercised=_exercised(stretches),
    )


def first_water(stretches: list[Stretch]) -> float | None:
    """When water was first let in; None where it never was. A drain alone may be a pump's trial.

    Where it is first seen at work, it was let in unheard, up to ``UNHEARD_FILL_S`` before.
    """
    first = next((s for s in stretches if s.phase not in ("idle", "drain")), None)
    if first is None:
        return None
    return first.start if first.phase == "fill" else first.start - UNHEARD_FILL_S


def find_stretches(phases: PhaseTrack) -> list[Stretch]:
    """Stretches of each phase, breaks under 20 s joined, from 10 s on; in order of their start."""
    found: list[Stretch] = []
    for index, phase in enumerate(PHASES):
        joined: list[tuple[int, int]] = []
        for which, begin, stop in phases.spans():
            if which != index:
                continue
            if joined and begin - joined[-1][1] < STRETCH_JOIN_S:
                joined[-1] = (joined[-1][0], stop)
            else:
                joined.append((begin, stop))
        found += [
            Stretch(phase, phases.t0 + begin, phases.t0 + stop)
            for begin, stop in joined
            if stop - begin >= STRETCH_LEAST_S
        ]
    return sorted(found, key=lambda s: (s.start, s.end))


def count_washes(stretches: list[Stretch], plan: Plan) -> tuple[int, tuple[Phase, ...]]:
    """Complete washes: a fill after idle or the start, tumbled in, later drained and, where the plan asks for a spin, spun; and
    what the wash under way still lacks.

    What was under way when the watch began is no complete wash, whatever it lets in later. A drum that rests long in
    its water and tumbles on soaks; it has not ended a wash.
    """
    wants_spin = plan.exercise.get("spin", 0) > 0
    complete = 0
    filled = drained = spun = late = False
    tumbled = 0.0
    for i, stretch in enumerate(stretches):
        if stretch.phase == "idle":
            then = next((s.phase for s in stretches[i + 1 :] if s.phase != "idle"), "idle")
            soaks = filled and not drained and then in ("wash", "heat", "rinse")
            if stretch.end - stretch.start >= plan.idle_between_s and not soaks:
                complete += _is_complete(filled, drained, spun or not wants_spin, tumbled >= TUMBLED_LEAST_S)
                filled = drained = spun = late = False
                tumbled = 0.0
        elif stretch.phase == "fill":
            filled = filled or not late
        elif stretch.phase in ("wash", "heat", "rinse"):
            late = late or not filled
            tumbled += stretch.end - stretch.start
        elif stretch.phase == "drain" and filled:
            drained = True
        elif stretch.phase == "spin" and filled:
            spun = True
    spun = spun or not wants_spin
    washed = tumbled >= TUMBLED_LEAST_S
    lacks: tuple[Phase, ...] = (
        *(() if washed else ("wash",)), *(() if drained else ("drain",)), *(() if spun else ("spin",)),
    )  # fmt: skip
    return complete + _is_complete(filled, drained, spun, washed), lacks if filled else ()


def _is_complete(*steps: bool) -> int:
    return int(all(steps))


def _exercised(stretches: list[Stretch]) -> dict[Phase, int]:
    counts: dict[Phase, int] = {}
    for stretch in stretches:
        if stretch.phase != "idle":
            counts[stretch.phase] = counts.get(stretch.phase, 0) + 1
    return counts


def _watched_between(pads: Mapping[Zone, PadTrack], begin: float, end: float) -> float:
    """Seconds in which every pad was heard, sound and not wet."""
    seconds = np.arange(np.floor(begin), np.floor(end), dtype=np.float64)
    good = np.ones(len(seconds), dtype=bool)
    for zone in ZONES:
        track = pads[zone]
        good &= _inside(seconds, track.sound_spans)
        if track.wet_at_start:
            good[:] = False
        for event in track.events:
            good &= ~((seconds >= event.onset) & (seconds < (event.end or np.inf)))
    return float(good.sum())


def _inside(seconds: Floats, spans: tuple[tuple[float, float], ...]) -> NDArray[np.bool_]:
    """Which seconds lie (by their middle) in any of the ascending spans."""
    if not spans:
        return np.zeros(len(seconds), dtype=bool)
    starts = np.array([span[0] for span in spans])
    ends = np.array([span[1] for span in spans])
    which = np.searchsorted(starts, seconds + 0.5, side="right") - 1
    return (which >= 0) & (seconds + 0.5 < ends[np.maximum(which, 0)])


def _longest_gap(signals: Signals, begin: float) -> tuple[float, str, float]:
    """Longest time in which one pad, or every phase signal, went unheard: (seconds, who, from when).

    What fell silent together with it is named as well: a node that went away took all its pads along.
    """
    phase_times = [signals.other(name).t for name in PHASE_SIGNALS if len(signals.other(name))]
    phase_times.append(np.array([word.t for word in signals.phase_words]))
    heard: dict[str, Floats] = {zone: signals.pads.get(zone, EMPTY).t for zone in ZONES}
    heard["phase node"] = np.unique(np.concatenate(phase_times))
    gaps = {who: _gaps(times, begin, max(begin, signals.ended)) for who, times in heard.items()}
    longest, at, who = max(
        (float(long[i]), float(begins[i]), w) for w, (begins, long) in gaps.items() for i in [np.argmax(long)]
    )
    apart = (1.0 - TOGETHER) * longest
    together = [
        w
        for w, (begins, long) in gaps.items()
        if w == who or ((long > 0) & (begins <= at + apart) & (begins + long >= at + longest - apart)).any()
    ]
    pads = [zone for zone in ZONES if zone in together]
    named = [f"{listed(pads)} {'pad' if len(pads) == 1 else 'pads'}"] if pads else []
    return longest, listed(named + [w for w in together if w not in pads]), at


def _gaps(times: Floats, begin: float, end: float) -> tuple[Floats, Floats]:
    """Times without a sample between two moments: when each began, and its seconds."""
    inside = times[(times >= begin) & (times <= end)]
    edges = np.concatenate(([begin], inside, [end]))
    usual = float(np.median(np.diff(inside))) if len(inside) > 2 else 0.0
    # A sample speaks for the time since the one before: slow, regular sampling is no gap.
    long = np.diff(edges)
    return edges[:-1], np.where(long <= 2.5 * usual, 0.0, long)
