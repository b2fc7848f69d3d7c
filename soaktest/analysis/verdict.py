"""Plan × evidence → pass, fail or retest, with reasons.

The decision rule, in the order applied (in the sense of JCGM 106: which risk falls on whom):

1. *fail* when a wet event is a leak with probability ``FAIL_FROM`` or more;
2. *retest* when anything that a pass rests on is missing: a pad unheard, unsound or unproven, a pad
   wet for a reason that might be a leak, too few washes, phases or time, too long a gap, or pads too
   insensitive to have shown the leak that matters;
3. *pass* otherwise.

A pass therefore rests on evidence only, and what cannot be told falls on the workshop's time, not
on the buyer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from soaktest.analysis.coverage import Heard
from soaktest.analysis.events import PadTrack
from soaktest.analysis.sequential import sequential_test
from soaktest.analysis.series import PhaseTrack
from soaktest.findings import ONLY_FINDS, Reason, WetEvent
from soaktest.plans import Plan
from soaktest.vocabulary import (
    PHASE_SIGNALS,
    ZONES,
    Cause,
    Outcome,
    Zone,
    listed,
    percent,
    plural,
    span_in_words,
)

FAIL_FROM = 0.7
"""A wet event fails the unit from this probability of a leak on."""
CLEAR_BELOW = 0.1
"""Below this probability of a leak, condensation does not stand in the way of a pass."""
RECOGNISED_FROM = 0.25
"""Phases of washes, simulated and real, are sure to 29 % or more; those read into a drill's power to 13 %. What looks more like
a wash, such as a refrigerator's steps, has no whole wash in it."""
TOGETHER_S = 60.0
"""Pads wetted within so long of each other are told in one sentence."""
WET_BEFORE_FILL = "wet-before-fill"
TAP_TEST = (
    "Dry the floor and the pads, shut the tap, and watch: if a pad stays dry with the tap shut and is wet again "
    "with the tap open before the first fill, the inlet side leaks."
)
"""What to do about water that came before any was let in."""
BOUNDARY_S = 10.0
BOUNDARY_SHARE = 0.03
"""Phase boundaries are known to some seconds: spans that hang on them may fall short by so much."""

_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that the decision rests on."""

    heard: Heard
    pads: Mapping[Zone, PadTrack]
    phases: PhaseTrack
    wet_events: list[WetEvent]
    smallest_seen_ml: float | None
    """Smallest amount shown with the plan's ``detect_probability``."""
    calibrated: bool = False
    """Whether each pad was once wetted with a known amount."""
    clean_washes_before: int = 0
    """Leak-free washes of earlier runs of the same unit, not repaired in between."""
    beside: str = ""
    """What is said of the parts whose water lands on no pad."""


def decide(plan: Plan, evidence: Evidence) -> tuple[Outcome, list[Reason]]:
    """The verdict and its reasons, weightiest first."""
    leaks = [event for event in evidence.wet_events if leak_chance(event) >= FAIL_FROM]
    reasons = [_leak_reason(event, evidence) for event in leaks]
    missing = [
        *_doubtful_events(evidence),
        *_pad_reasons(plan, evidence),
        *_phase_reasons(plan, evidence),
        *_watch_reasons(plan, evidence),
        *_sensitivity_reasons(plan, evidence),
    ]
    if plan.purpose == "find":
        found = (
            "It found water: see the wet events." if leaks else "It found no water that it could call a leak."
        )
        mend = "For a verdict, run it again by a plan that proves, such as repair-check or resale, or judge this run by one at the command line."
        return "retest", [
            *reasons,
            Reason(
                code=ONLY_FINDS,
                text=f"This plan looks for a leak and gives no pass or fail. {found}",
                mend=mend,
            ),
            *missing,
        ]
    if leaks:
        # what the plan still lacks is told, but no further wash is asked of a machine that leaks
        return "fail", [*reasons, *(reason.model_copy(update={"mend": ""}) for reason in missing)]
    if missing:
        return "retest", missing
    return "pass", [_pass_reason(plan, evidence), *_unseen_reasons(evidence)]


def leak_chance(event: WetEvent) -> float:
    """How likely this water came out of the machine, 0 to 1."""
    return event.cause_probability.get("leak", 1.0 if event.cause == "leak" else 0.0)


def _leak_reason(event: WetEvent, evidence: Evidence) -> Reason:
    came = f" The water left the machine while it was in {event.phase}." if event.phase else ""
    if event.phase and event.phase == event.phase_at_onset:
        came = ""
    return Reason(
        code="wet-event",
        text=f"{event.zone.capitalize()} pad wet {place_in_time(event.onset, evidence.heard)}.{came}",
        mend="Look at the suspects in their order, unplugged; repair and test again.",
    )


def place_in_time(t: float, heard: Heard) -> str:
    """When, in words: ``41 s into the second fill``."""
    counts: dict[str, int] = {}
    best = ""
    for stretch in heard.stretches:
        if stretch.start > t:
            break
        counts[stretch.phase] = counts.get(stretch.phase, 0) + 1
        n = counts[stretch.phase]
        which = _ordinal(n)
        if t < stretch.end:
            best = f"{t - stretch.start:.0f} s into the {which} {stretch.phase}"
            if stretch.phase == "idle":
                best = (
                    f"{span_in_words(t - stretch.start)} after the machine came to rest"
                    if n > 1
                    else "before the machine let water in"
                )
        else:
            best = f"{span_in_words(t - stretch.end)} after the {which} {stretch.phase}"
    return best or "before the machine let water in"


def _ordinal(n: int) -> str:
    """``first``, and from eleven on ``11th``."""
    if n <= len(_ORDINALS):
        return _ORDINALS[n - 1]
    ending = "th" if n // 10 % 10 == 1 else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"


def _doubtful_events(evidence: Evidence) -> list[Reason]:
    """Water that may or may not be a leak's; pads wetted together are named together."""
    together: list[list[WetEvent]] = []
    for event in evidence.wet_events:
        chance = leak_chance(event)
        if (
            chance >= FAIL_FROM
            or event.cause == "fault"
            or (event.cause == "condensation" and chance < CLEAR_BELOW)
        ):
            continue
        last = together[-1] if together else []
        if last and event.cause == last[0].cause and _told_together(last[0], event, evidence.heard):
            last.append(event)
        else:
            together.append([event])
    return [_doubtful_reason(events, evidence) for events in together]


def _told_together(one: WetEvent, other: WetEvent, heard: Heard) -> bool:
    """Whether two wettings are of one moment, and none of them before the first water that was let in."""
    apart = heard.first_water is not None and one.onset < heard.first_water <= other.onset
    return other.onset - one.onset <= TOGETHER_S and not apart


def _doubtful_reason(events: list[WetEvent], evidence: Evidence) -> Reason:
    event, first = events[0], evidence.heard.first_water
    if first is None or event.onset < first:
        mend, code = TAP_TEST, WET_BEFORE_FILL
    else:
        mend = "Wipe the floor and the pads dry, keep people and buckets away from the bench, and run the test again."
        code = "wet-by-" + event.cause if event.cause != "leak" else "wet-uncertain"
    pads = listed(list(dict.fromkeys(e.zone for e in events)))
    pads = f"{pads[:1].upper()}{pads[1:]} {'pads' if len(events) > 1 else 'pad'}"
    most = f"{'up to ' if len(events) > 1 else ''}{percent(max(map(leak_chance, events)))}"
    if event.cause == "leak":
        besides = max(_CAUSE_SAID, key=lambda cause: event.cause_probability.get(cause, 0.0))
        weighed = f"a leak is likeliest ({most}), but not surely; it may be {_CAUSE_SAID[besides]} as well"
    else:
        weighed = f"{event.cause} is likeliest, a leak has {most}"
    return Reason(
        code=code, text=f"{pads} wet {place_in_time(event.onset, evidence.heard)}: {weighed}.", mend=mend
    )


_CAUSE_SAID: dict[Cause, str] = {
    "condensation": "condensation",
    "spill": "a spill",
    "fault": "a fault of the pad",
}
_PAD_MENDS = {
    "silent": "Check the pad node's supply and network, then run the test again.",
    "open": "The lead or its connector is broken: mend it, do a pad check, and run the test again.",
    "short": "The pad's two tracks touch: dry, clean or replace the pad, and run the test again.",
    "stuck": "The reading never moves: check the node's input and the lead, do a pad check, and run again.",
    "drifting": "The dry level wanders too far: dry the pad, check its lead, and run the test again.",
    "wet": "Dry the floor and the pad, and begin again on a dry floor.",
    "unproven": (
        "Fit the end-of-line resistor or do a pad check before the run; or allow unproven pads in the plan "
        "and say so on the certificate."
    ),
}


def _pad_reasons(plan: Plan, evidence: Evidence) -> list[Reason]:
    reasons = []
    for zone in ZONES:
        track = evidence.pads[zone]
        state = track.state
        if track.wet_at_start:
            reasons.append(_wet_start(zone))
        elif state != "sound" and not (state == "unproven" and plan.allow_unproven_pads):
            reasons.append(_pad_reason(zone, state, track.note))
    return reasons


def _wet_start(zone: str) -> Reason:
    return Reason(
        code="wet-at-start",
        text=f"{zone.capitalize()} pad was wet when the run began.",
        mend=_PAD_MENDS["wet"],
    )


def _pad_reason(zone: str, state: str, note: str) -> Reason:
    said = {
        "silent": "was not heard",
        "open": "has a broken lead",
        "short": "is shorted",
        "stuck": "gives a reading that never moves",
        "drifting": "has a dry level that wanders",
        "wet": "was wet",
        "unproven": "is not proven whole (no end-of-line resistor seen, no pad check)",
    }[state]
    detail = f" ({note})" if note and state != "unproven" else ""
    return Reason(
        code=f"pad-{state}", text=f"{zone.capitalize()} pad {said}{detail}.", mend=_PAD_MENDS[state]
    )


def _phase_reasons(plan: Plan, evidence: Evidence) -> list[Reason]:
    heard, phases = evidence.heard, evidence.phases
    if not phases.heard.any():
        return [
            Reason(
                code="no-phase-signal",
                text=f"No {', '.join(PHASE_SIGNALS)} or phase was heard, so no wash is proven.",
                mend="Connect the phase node, see its readings arrive, and run the test again.",
            )
        ]
    reasons = []
    if phases.sureness < RECOGNISED_FROM:
        reasons.append(
            Reason(
                code="not-a-wash",
                text=f"What was heard is hardly a washing machine's: its phases are sure to {percent(phases.sureness)} only.",
                mend="See that the sensor is on this machine's lead alone, and run the test again; a further signal makes phases surer.",
            )
        )
    if heard.first_fill is None:
        reasons.append(
            Reason(
                code="no-water-in",
                text="No fill was seen: no water was let in.",
                mend="Open the tap and run a full programme.",
            )
        )
    if heard.washes < plan.washes:
        reasons.append(
            Reason(
                code="too-few-washes",
                text=f"{plural(heard.washes, 'complete wash')} seen, the plan asks for {plan.washes}.",
                mend="Let each programme run to its last spin, "
                f"with at least {plan.idle_between_s:.0f} s of rest between two.",
            )
        )
    reasons += _risk_reasons(plan, evidence)
    for phase, wanted in plan.exercise.items():
        seen = heard.exercised.get(phase, 0)
        if seen >= wanted:
            continue
        if phase == "heat" and not phases.sees_heat:
            mend = "Heat cannot be seen on this bench: add a power or current sensor, or take heat out of the plan."
        else:
            mend = f"Choose a programme with more of it, or run another wash, until {phase} was seen {_times(wanted)}."
        reasons.append(
            Reason(
                code=f"exercise-{phase}",
                text=f"{phase.capitalize()} was seen {_times(seen)}, the plan asks for {wanted}.",
                mend=mend,
            )
        )
    return reasons


def _risk_reasons(plan: Plan, evidence: Evidence) -> list[Reason]:
    """Where the plan sets both risks, leak-free washes are counted by Wald's test, earlier runs' with them."""
    if plan.sequential is None:
        return []
    risks, before = plan.sequential, evidence.clean_washes_before
    test = sequential_test(risks, [False] * (evidence.heard.washes + before))
    if test.step == "accept":
        return []
    left = test.clean_washes_to_accept
    return [
        Reason(
            code="risk-not-met",
            text=f"{plural(evidence.heard.washes + before, 'leak-free wash')} do not yet hold the "
            f"risk of passing a unit that leaks in {percent(risks.bad_leak_chance)} of its washes to {percent(risks.accept_bad_risk)}.",
            mend=f"Run {plural(left, 'more leak-free wash')}, and judge them together with this run.",
        )
    ]


def _watch_reasons(plan: Plan, evidence: Evidence) -> list[Reason]:
    heard = evidence.heard
    reasons = []
    for code, name, got, wanted, mend in (
        ("watch-too-short", "watch from water-in to the end", heard.watched_s, plan.min_watch_s, "Run a longer programme, or leave the bench watching for longer afterwards."),
        ("dry-watch-too-short", "dry watch before the first fill", heard.dry_watch_s, plan.dry_watch_s, "Begin the run on a dry floor and wait before starting the machine."),
        ("drip-watch-too-short", "drip watch after the last drain", heard.drip_watch_s, plan.drip_watch_s, "Leave the machine standing and the bench watching after the last spin: slow drips come late."),
    ):  # fmt: skip
        if got < wanted - BOUNDARY_S - BOUNDARY_SHARE * wanted:
            reasons.append(
                Reason(
                    code=code,
                    text=f"The {name} lasted {span_in_words(got)}, the plan asks for {span_in_words(wanted)}.",
                    mend=mend,
                )
            )
    if heard.longest_gap_s > plan.max_gap_s:
        reasons.append(
            Reason(
                code="gap",
                text=f"The {heard.gap_of} went unheard for {span_in_words(heard.longest_gap_s)}, {place_in_time(heard.gap_at, heard)}; "
                f"the plan allows {plan.max_gap_s:g} s.",
                mend="Move the node nearer to the access point, or give it a steady supply, and run the test again.",
            )
        )
    if heard.share < plan.min_coverage:
        reasons.append(
            Reason(
                code="coverage",
                text=f"All three pads were heard and sound for {percent(heard.share, 1)} of the watch; the plan asks for {percent(plan.min_coverage, 1)}.",
                mend="See which pad was lost, mend its lead or its network, and run the test again.",
            )
        )
    return reasons


def _sensitivity_reasons(plan: Plan, evidence: Evidence) -> list[Reason]:
    seen = evidence.smallest_seen_ml
    if seen is None or seen <= plan.detect_ml:
        return []
    return [
        Reason(
            code="not-sensitive-enough",
            text=f"The pads would have shown {seen:.2g} ml with {percent(plan.detect_probability)} probability, not the {plan.detect_ml:g} ml that matter.",
            mend="Dry and clean the pads, keep their leads away from the motor's, and run the test again.",
        )
    ]


def _pass_reason(plan: Plan, evidence: Evidence) -> Reason:
    heard = evidence.heard
    seen = ""
    if evidence.smallest_seen_ml is not None:
        seen = f"; about {evidence.smallest_seen_ml:.2g} ml on a pad would have shown"
        if not evidence.calibrated:
            seen += ", to a factor of ten or so, since the pads are not calibrated"
    return Reason(
        code="no-leak",
        text=f"No leak in {plural(heard.washes, 'complete wash')}, watched for {span_in_words(heard.watched_s)}"
        f" with {percent(heard.share, 1)} heard{seen}.",
    )


def _unseen_reasons(evidence: Evidence) -> list[Reason]:
    """What a pass does not rest on: a drip that dries where it fell."""
    return [Reason(code="beside-the-pads", text=evidence.beside)] if evidence.beside else []


def _times(n: int) -> str:
    return {0: "not at all", 1: "once", 2: "twice"}.get(n, f"{n} times")
