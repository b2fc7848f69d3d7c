"""What wetted a pad: a leak, steam that condensed, somebody's water, or the pad itself.

Each event gets weights for the four from its own shape and from its company; they are log-odds by
hand, from how water behaves:

- A leak drips or creeps: what came in the first seconds is little of what comes in all, or it is a
  drop or two. Nothing that leaks puts a gush on a pad within three seconds and then stops, or wets
  two pads within the same two seconds. Somebody's water does.
- Spilt water creeps on along the floor: a neighbour that it reaches minutes later, slowly and by
  less, is wet by the same cause.
- A leak's water creeps on too, and reaches two pads in one moment as its puddle runs over their edges: a pad wetted
  while another is wet by a leak is mostly wet by that leak.
- A floor that was wet as the run began wets the other pads as its puddle runs, in drops or slowly.
- Damp air makes all pads conduct more within minutes of each other, smoothly and not by much; no rise of it comes in drops.
- Before any water is let in, only what stands under mains pressure leaks, and that goes on.
- Cold water makes a tub sweat, and a bead of it may fall: one drop alone in a whole run is that as well as a leak.
- A lead that is lost or found again within a minute of an onset makes the onset doubtful.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from soaktest.analysis.coverage import UNHEARD_FILL_S, find_stretches, first_water
from soaktest.analysis.events import PadEvent, PadTrack
from soaktest.analysis.series import EMPTY, PhaseTrack, Series
from soaktest.analysis.small_rises import share_of_steps
from soaktest.vocabulary import CAUSES, PHASES, Cause, Zone

TOGETHER_S: Final = 8.0
"""All pads wet within this long: nothing under a machine spreads so fast."""
SAME_MOMENT_S: Final = 5.0
TWO_JUMP: Final = 4.0
"""Weight of a spill where two pads jump in one moment and stay as they are: drops of a leak reach one pad, then another."""
SAME_SECOND_S: Final = 1.5
"""Seconds in which no leak wets two pads: it falls on one, and its water runs to the next."""
SAME_SECOND: Final = 1.2
"""Weight of a spill where two pads are wetted sharply in that time, though more comes: a puddle spreads on for minutes."""
SOAKS_IN, EDGE_S = 0.4, 2.5
"""Share that comes at once of what a pad takes from the edge of a puddle that somebody spilt, which is dated as exactly."""
GUSH_ML: Final = 0.15
"""Three drops on a usual pad: more than that within three seconds is a gush, or drops on a pad that tells them by far more than is usual."""
STEAM_S: Final = 1500.0
"""Steam rises up to so long after the heater was on."""
COMPANY_S: Final = 400.0
"""Pads that steam reaches become damp within so long of each other."""
AFTER_SPLASH_S: Final = 30.0
"""What runs off a splash drips on a neighbouring pad within so long."""
SPREADS_S: Final = 1200.0
"""Spilt water reaches a neighbouring pad within so long."""
PUDDLE_S: Final = 400.0
"""A puddle that stood under the machine as the run began finds its way to another pad within so long, as a rule,"""
NO_RIVER: Final = 0.3
"""and so many times more seldom makes it the wetter of the two."""
BEFORE_S, SOAKED_S, LATE_S = (-40.0, -2.0), (20.0, 35.0), (60.0, 240.0)
"""Seconds since an onset in which a pad was dry, in which it has soaked a splash up, and in which more shows that followed."""
UNSEEN: Final = 0.5
"""How surely nothing came after, where nobody listened for so long."""
FILLED_S: Final = 5e-5
"""Siemens from which a pad may be filled by a leak within half a minute, and gain little more."""
SLIGHT: Final = 0.35
MOST: Final = 1.1
"""Decades that damp air alone raises a pad by: often, and at the most."""
LARGEST, IN_STEP, LARGEST_SHARED = 1.3, 0.5, 3.4
"""Decades that a smooth rise may have to be damp air's: more where the pads rise in step, which no leak makes them do."""
BEFORE_RISE_S, RISE_LEAST_S = 10.0, 60.0
"""Seconds with a rise, before and after it, and of a rise at the least, that tell whether it came in drops."""
IN_DROPS, IN_DROPS_WIDTH = 0.48, 0.04
"""Share of a rise that its sharpest seconds bring, from which it is drops: of damp air's it is 0.2 to 0.33, of drops' 0.55 and more."""
AIR_BEFORE_S: Final = 900.0
AIR_ROSE, AIR_ROSE_WIDTH, AIR_BEFORE = 0.061, 0.004, 3.0
"""Decades that every pad gained within so many seconds before a smooth rise: the air had grown damp by then, and comes down on one pad after the other."""
CLIMB_RH: Final = 4.0
"""Per cent of relative humidity that the air under a machine climbs by within minutes where steam comes down on pads."""
SOAKING: Final = 0.8
"""Wetness of a pad that a puddle stands on; the next may be wetter by how it lies."""
FRONT_S: Final = 20.0
"""A puddle takes so long at the least from one pad to the next."""
SPILT_BESIDE: Final = 0.02
"""What is left of a jump's weight for a spill where a leak is spreading: its puddle wets the next pads by jumps too."""
SURE_LEAK: Final = 0.9
"""Chance from which a leak that came before is as good as sure."""
NOT_FED, FED = 2.0, 0.1
"""Weight of a spill before any water was let in, and where it is fed from a tap all the same."""
FED_STEP, FED_EARLY_S, FED_GROWN, FED_UNSEEN = 0.5, (12.0, 24.0), 2.0, 0.8
"""Where there was no time to see it grow: the share of its rise that comes at once of a spill. Else the seconds after its onset since when
what a tap feeds grows by such a factor at the least. How surely what creeps in is fed where it was not seen to."""
BEAD: Final = 0.7
"""Weight of condensation where one drop fell in the whole run: on simulated and other benches a leak's first drop was never its last, a bead's was."""
BEAD_LANDS_S, BEAD_ALONE_S, BEAD_ALONE = (3.0, 12.0), 600.0, 0.25
"""Seconds since an onset by which a drop has come whole, for which nothing may come after, and the share of it that is nothing."""
FOLLOWS_S: Final = 1500.0
"""A leak that began with a gush gives more within so long."""


def causes_of(
    events: Sequence[PadEvent], pads: Mapping[Zone, PadTrack], phases: PhaseTrack, humidity: Series = EMPTY
) -> list[dict[Cause, float]]:
    """Chances of leak, condensation, spill and fault of each event.

    Args:
        events: in the order of their onsets.
        pads: the pads they are of.
        phases: the phases.
        humidity: of the air under the machine in %RH, where a node tells it.
    """
    stretches = find_stretches(phases)
    water = first_water(stretches)
    if (
        water is not None
        and phases.source == "current"
        and any(s.phase == "fill" and s.start == water for s in stretches)
    ):
        water -= (
            UNHEARD_FILL_S  # amperes may show no valve at all, and the fill only as the drum begins to turn
        )
    weights = [_alone(event, events, pads, phases, water, humidity) for event in events]
    for i, event in enumerate(events):
        source = _spilt_before(i, events, weights)
        if source is not None and (
            event.step_share < 0.35 or event.onset - events[source].onset < AFTER_SPLASH_S
        ):
            weights[i]["spill"] += 3.0 * _shares(weights[source])["spill"]
        sure = min(_leaking_before(i, events, weights) / SURE_LEAK, 1.0)
        weights[i]["spill"] *= 1.0 - (1.0 - SPILT_BESIDE) * sure
        stood = [e for e in events if e.at_start and e.zone != event.zone]
        if stood and not event.at_start:
            came = _wettest(pads[event.zone], event.onset, event.onset + PUDDLE_S)
            held = max(_wettest(pads[e.zone], e.onset, event.onset) for e in stood)
            runs_over = 1.0 if came <= held else NO_RIVER
            weights[i]["spill"] += 3.0 * runs_over * float(np.exp(-(event.onset - stood[0].onset) / PUDDLE_S))
    return [_shares(weight) for weight in weights]


def _wettest(track: PadTrack, begin: float, end: float) -> float:
    """The most that a pad conducts (log10 siemens) from one moment to another."""
    inside = (track.t >= begin) & (track.t <= end)
    return float(track.log_g[inside].max()) if inside.any() else -np.inf


def _alone(
    event: PadEvent,
    events: Sequence[PadEvent],
    pads: Mapping[Zone, PadTrack],
    phases: PhaseTrack,
    water: float | None,
    humidity: Series,
) -> dict[Cause, float]:
    weight: dict[Cause, float] = {"leak": 1.0, "condensation": 0.01, "spill": 0.03, "fault": 0.01}
    track = pads[event.zone]
    if event.at_start:
        return {"leak": 0.03, "condensation": 0.01, "spill": 1.0, "fault": 0.03}
    if water is None or event.onset_high < water - 2.0:
        # Nothing was let in yet: somebody's water, or the inlet side under pressure.
        fed = _fed(event, track, water)
        weight["spill"] += NOT_FED * (1.0 - fed) + FED * fed
    near = [e for e in events if e.zone != event.zone and abs(e.onset - event.onset) <= TOGETHER_S]
    others = {e.zone for e in near}
    if len(others) == 2 and event.step_share > 0.3:
        weight["spill"] += 8.0
    size, over = _gush(event, track)
    weight["spill"] += SAME_SECOND * sum(_at_an_edge(event, other) for other in near)
    # Two pads in one moment, by a jump each, are one happening: what is sure of the one holds for the other.
    for other in near if event.step_share > 0.6 else []:
        if abs(other.onset - event.onset) <= SAME_MOMENT_S:
            weight["spill"] += TWO_JUMP * _jumps(event, track) * _jumps(other, pads[other.zone])
            if other.step_share > 0.6:
                if abs(other.onset - event.onset) <= SAME_SECOND_S:
                    weight["spill"] += SAME_SECOND
                theirs, done = _gush(other, pads[other.zone])
                size, over = max(size, theirs), max(over, done)
    weight["spill"] += 4.0 * size * over**2  # what is over half by half is a leak of some seconds as well
    hot = _heat_before(phases, event.onset)
    damp = (
        (_damp(event, events) + _damp_before(event, pads))
        * (1.0 if hot else 0.4)
        * _by_the_air(humidity, event)
    )
    if len(others) == 2 and event.step_share <= 0.3:
        damp += 5.0 if hot and event.shared > 0.3 else 1.0  # all at once, and no splash
    weight["condensation"] += damp * (1.0 - _in_drops(event, track)) if damp else 0.0
    if len(events) == 1 and _one_drop(event, track):
        weight["condensation"] += BEAD * (1.0 - size)
    if track.state in ("open", "short", "stuck") and not _sound_around(track, event.onset, 60.0):
        weight["fault"] += 1.5
    elif not _sound_around(track, event.onset, 3.0):
        weight["fault"] += 0.4  # heard again after a silence, and wet: a node that starts may misread, once
    return weight


def _at_an_edge(event: PadEvent, other: PadEvent) -> bool:
    """Whether the one pad was splashed on, and the other lies at the puddle's edge, where it soaks in over a minute."""
    slow, quick = sorted((event.step_share, other.step_share))
    return SOAKS_IN < slow <= 0.6 < quick and abs(other.onset - event.onset) <= EDGE_S


def _shares(weight: Mapping[Cause, float]) -> dict[Cause, float]:
    total = sum(weight.values())
    return {cause: round(weight[cause] / total, 4) for cause in CAUSES}


def _gush(event: PadEvent, track: PadTrack) -> tuple[float, float]:
    """How surely more than drops came within three seconds, and how surely hardly any more came after; 0 to 1 each."""
    before, jump, soaked, late = _levels(event, track, BEFORE_S, (2.0, 5.0), SOAKED_S, LATE_S)
    if before is None or jump is None or soaked is None or jump <= before:
        return 0.0, 0.0
    came, whole = jump - before, max(soaked - before, (jump - before) / 2)
    size = 1.0 / (1.0 + (GUSH_ML * track.siemens_per_ml[1] / came) ** 3)
    # A pad takes a splash in within seconds, or within half a minute where little of it is wet; so does a leak
    # where it fills the pad by then.
    part = 1.0 / (1.0 + (soaked / FILLED_S) ** 2)
    at_once = max(_above(came / whole, 0.5, 0.08), part * _above(came / whole, 0.13, 0.03))
    # a splash spreads in the pad for minutes and is a little wetter for it
    since = track.t - event.onset
    inside = (since > LATE_S[1]) & (since < FOLLOWS_S)
    then = (float(np.quantile(10.0 ** track.log_g[inside], 0.9)) - before) / whole if inside.any() else 1.0
    over = (
        at_once
        * (UNSEEN if late is None else np.exp(-0.5 * (max((late - before) / whole - 1.1, 0.0) / 0.2) ** 2))
        * np.exp(-0.5 * (max(then - 1.5, 0.0) / 0.6) ** 2)
    )
    return size, float(over)


def _one_drop(event: PadEvent, track: PadTrack) -> bool:
    """Whether it came at once and no more of it, for as long as a leak would have gone on."""
    before, drop = _levels(event, track, BEFORE_S, BEAD_LANDS_S)
    after = track.t - event.onset > BEAD_LANDS_S[1]
    if before is None or drop is None or event.step_share < 0.6 or track.t[-1] - event.onset < BEAD_ALONE_S:
        return False
    more = float(np.quantile(10.0 ** track.log_g[after], 0.995)) - drop
    return more < BEAD_ALONE * (drop - before)


def _jumps(event: PadEvent, track: PadTrack) -> float:
    """How surely the pad took most of its water within half a minute, 0 to 1; not a first drop that more follow."""
    before, soaked, late = _levels(event, track, BEFORE_S, SOAKED_S, LATE_S)
    if before is None or soaked is None or late is None:
        return 0.0
    return float(np.exp(-0.5 * (max((late - before) / max(soaked - before, 1e-12) - 1.15, 0.0) / 0.15) ** 2))


def _levels(event: PadEvent, track: PadTrack, *spans: tuple[float, float]) -> list[float | None]:
    """Median siemens within each span of seconds since the onset; None where the pad was not heard in it."""
    since = track.t - event.onset
    inside = [(since > begin) & (since < end) for begin, end in spans]
    return [float(np.median(10.0 ** track.log_g[span])) if span.any() else None for span in inside]


def _above(x: float, middle: float, width: float) -> float:
    return float(1.0 / (1.0 + np.exp(np.clip((middle - x) / width, -50.0, 50.0))))


def _spilt_before(i: int, events: Sequence[PadEvent], weights: Sequence[Mapping[Cause, float]]) -> int | None:
    """The likeliest spill that the water of event ``i`` may have crept from, on another pad and larger."""
    event = events[i]
    sources = [
        k
        for k in range(i)
        if events[k].zone != event.zone
        and event.onset - events[k].onset <= SPREADS_S
        and events[k].peak_wetness > event.peak_wetness
    ]
    return max(sources, key=lambda k: _shares(weights[k])["spill"], default=None)


def _leaking_before(i: int, events: Sequence[PadEvent], weights: Sequence[Mapping[Cause, float]]) -> float:
    """How surely the water of event ``i`` may have crept from a leak: the surest on another pad that is wetter and still wet, 0 to 1."""
    event = events[i]
    return max(
        (
            _shares(weights[k])["leak"]
            for k in range(i)
            if events[k].zone != event.zone
            and FRONT_S <= event.onset - events[k].onset <= SPREADS_S
            and (events[k].end or np.inf) > event.onset
            and events[k].peak_wetness > min(event.peak_wetness, SOAKING)
        ),
        default=0.0,
    )


def _smooth(event: PadEvent) -> bool:
    return _creeps(event, LARGEST_SHARED if event.shared > IN_STEP else LARGEST)


def _creeps(event: PadEvent, most: float) -> bool:
    """Whether it rose without an edge, by less than so many decades."""
    return event.step_share < 0.2 and event.smooth_s >= 40 and event.rise < most and not event.at_start


def _damp(event: PadEvent, events: Sequence[PadEvent]) -> float:
    """Weight of damp air: a smooth rise that other pads share, at once or within minutes, or that is slight."""
    if not _smooth(event):
        return 0.0
    company = {
        e.zone
        for e in events
        if e.zone != event.zone and _smooth(e) and abs(e.onset - event.onset) <= COMPANY_S
    }
    slight = 1.0 / (1.0 + float(np.exp((event.rise - SLIGHT) / 0.06)))
    if any(e.zone != event.zone and e.onset < event.onset and not _smooth(e) for e in events):
        slight *= 0.1  # water that a leak has brought already creeps to its neighbours as slowly
    likely = 1.0 / (1.0 + float(np.exp((event.rise - MOST) / 0.07)))
    weight = 2.0 * len(company) * likely + 1.5 * slight
    if event.shared > 0.3 and event.smooth_s > 50:
        weight += 12.0 * event.shared
    return weight * (0.3 if event.peak_wetness > 0.5 else 1.0)


def _damp_before(event: PadEvent, pads: Mapping[Zone, PadTrack]) -> float:
    """Weight of damp air where all pads had been growing damper before it came down on this one, be it by more than damp air brings as a rule."""
    if not _creeps(event, LARGEST_SHARED):
        return 0.0
    gained = []
    for track in pads.values():
        since = track.t - event.onset
        before, last = (since > -AIR_BEFORE_S) & (since < -5.0), (since > -25.0) & (since < -5.0)
        if before.sum() < 100 or not last.any():
            return 0.0
        gained.append(float(np.median(track.log_g[last]) - np.quantile(track.log_g[before], 0.1)))
    return AIR_BEFORE * _above(min(gained), AIR_ROSE, AIR_ROSE_WIDTH) if max(gained) < MOST else 0.0


def _in_drops(event: PadEvent, track: PadTrack) -> float:
    """How surely a rise came in drops, 0 to 1."""
    since = track.t - event.onset
    rise = track.log_g[(since > -BEFORE_RISE_S) & (since < max(event.smooth_s, RISE_LEAST_S) + BEFORE_RISE_S)]
    return _above(share_of_steps(rise), IN_DROPS, IN_DROPS_WIDTH) if len(rise) > RISE_LEAST_S / 2 else 0.0


def _by_the_air(humidity: Series, event: PadEvent) -> float:
    """How much likelier damp air is by the humidity told: 1 where none is; more where it climbed, less where it stood."""
    since = humidity.t - event.onset
    before = humidity.v[(since > -900.0) & (since < -300.0)]
    lasts = max(event.smooth_s, 60.0)
    then = humidity.v[(since > lasts / 2) & (since < lasts + 60.0)]
    if len(before) < 3 or len(then) < 3:
        return 1.0
    return float(np.clip((np.median(then) - np.median(before)) / CLIMB_RH, 0.4, 2.5))


def _fed(event: PadEvent, track: PadTrack, water: float | None) -> float:
    """How surely a tap feeds what came before water was let in, 0 to 1: it grows on and on; nobody feeds a spill."""
    until = min(240.0, water - event.onset if water is not None else np.inf)
    before, early, late = _levels(event, track, BEFORE_S, FED_EARLY_S, (until - 15.0, until))
    if until < 60.0 or before is None or early is None or late is None:
        return FED_UNSEEN * _above(-event.step_share, -FED_STEP, 0.04)
    grown = (late - before) / max(early - before, 1e-12)
    return _above(np.log(max(grown, 1e-3)), np.log(FED_GROWN), 0.12)


def _heat_before(phases: PhaseTrack, at: float) -> bool:
    if not phases.sees_heat:
        return True
    stop = int(np.clip(at - phases.t0 + 60, 0, phases.seconds))
    begin = int(max(0, stop - STEAM_S))
    return bool((phases.best[begin:stop] == PHASES.index("heat")).any())


def _sound_around(track: PadTrack, at: float, seconds: float) -> bool:
    """Whether the pad was heard and sound without a break for so long on both sides of ``at``."""
    if not track.sound_spans:
        return True
    first, last = track.sound_spans[0][0], track.sound_spans[-1][1]
    begin, end = max(at - seconds, first), min(at + seconds * 2 / 3, last)
    return any(a <= begin and end <= b for a, b in track.sound_spans)
