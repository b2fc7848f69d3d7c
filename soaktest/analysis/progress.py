"""What a running test still needs, what it can no longer mend, and which stage it is in."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Literal

from soaktest.analysis.coverage import Heard
from soaktest.analysis.sequential import sequential_test
from soaktest.analysis.series import PhaseTrack
from soaktest.analysis.verdict import RECOGNISED_FROM, TAP_TEST, WET_BEFORE_FILL
from soaktest.findings import Reason
from soaktest.plans import Plan
from soaktest.vocabulary import PHASES, listed, percent, plural

Stage = Literal["dry watch", "washing", "drip watch", "judged"]

_PAST_MENDING = ("wet-", "pad-open", "pad-short", "pad-stuck", "pad-drifting", "pad-wet", "pad-unproven")
"""Reasons against a pass that stay, whatever the machine does next."""
_PAST_MENDING_AFTER_FILL = ("dry-watch-too-short", "gap", "not-sensitive-enough")
"""Before the first fill there is time for these; a pad never heard is a gap from then on."""
LONGEST_MENDING_S = 6 * 3600.0
"""Nobody watches on for longer to make a loss a small enough share of the whole."""
_IN_EVERY_WASH = ("fill", "wash", "drain", "spin")
"""Phases that a complete wash brings with it, so that they need not be asked for beside it."""
SETTLED_S = 60.0
"""The machine is done once drain and spin lie this far back and nothing else moves water."""

SURE_FROM = 0.6
"""A phase that is still going on is named, and counts, once it is so sure."""


def counted(phases: PhaseTrack) -> PhaseTrack:
    """Phases as they count while a run goes on: none of what is hardly a washing machine, as in the verdict, and the one
    that is still going on only once it is sure; until then the one before it goes on.
    """
    idle = PHASES.index("idle")
    if phases.sureness < RECOGNISED_FROM:
        return replace(phases, best=phases.best * 0 + idle)
    which, begin, stop = (phases.spans() or [(idle, 0, 0)])[-1]
    if which == idle or phases.probability[begin:stop, which].mean() >= SURE_FROM:
        return phases
    best = phases.best.copy()
    best[begin:stop] = best[begin - 1] if begin else idle
    return replace(phases, best=best)


def stage_of(heard: Heard, phases: PhaseTrack, ended: float) -> Stage:
    """The stage of a run that is heard up to ``ended`` (UTC seconds)."""
    if heard.first_fill is None:
        return "dry watch"
    if heard.last_water is None or ended - heard.last_water < SETTLED_S:
        return "washing"
    later = {s.phase for s in heard.stretches if s.end > heard.last_water}
    return "washing" if later & {"fill", "wash", "heat", "rinse"} else "drip watch"


def still_needed(plan: Plan, heard: Heard) -> list[str]:
    """What the plan still lacks, in words; empty once everything is there."""
    needs: list[str] = []
    if heard.first_fill is None and heard.dry_watch_s < plan.dry_watch_s:
        needs.append(
            f"{_minutes(plan.dry_watch_s - heard.dry_watch_s)} dry watch before the machine is started"
        )
    washes = max(plan.washes - heard.washes, 0)
    lacking = {phase: wanted - heard.exercised.get(phase, 0) for phase, wanted in plan.exercise.items()}
    brought = {phase: left for phase, left in lacking.items() if phase in _IN_EVERY_WASH}
    if washes:
        to_come = f" ({listed(heard.to_come)})" if washes == 1 and heard.to_come else ""
        needs.append(plural(washes, "more complete wash") + to_come)
    beyond = {phase: left - washes if phase in brought else left for phase, left in lacking.items()}
    needs += [plural(left, f"more {phase}") for phase, left in beyond.items() if left > 0]
    if plan.sequential:
        test = sequential_test(plan.sequential, [False] * heard.washes)
        left = test.clean_washes_to_accept - max(plan.washes - heard.washes, 0)
        if left > 0:
            needs.append(f"{plural(left, 'more leak-free wash')} for the risks that the plan sets")
    watch, whole = plan.min_watch_s - heard.watched_s, _unbroken_watch(plan, heard)
    if whole > LONGEST_MENDING_S:
        needs.append(f"a new run: {percent(1.0 - heard.share)} of the watch went unheard or unsound")
    elif max(watch, whole) > 0:
        needs.append(f"{_minutes(max(watch, whole))} watch{' with all pads heard' if whole > watch else ''}")
    drips = plan.drip_watch_s - (0.0 if washes or _will_drain(heard) else heard.drip_watch_s)
    if drips > 0:
        begun = drips < plan.drip_watch_s
        needs.append(
            f"{_minutes(drips)} {'more of the drip watch' if begun else 'drip watch after the last drain'}"
        )
    return needs


def _will_drain(heard: Heard) -> bool:
    """Whether the machine holds water again since it last drained or spun."""
    last = max((s.end for s in heard.stretches if s.phase in ("drain", "spin")), default=float("-inf"))
    return any(s.end > last for s in heard.stretches if s.phase in ("fill", "wash", "heat", "rinse"))


def _unbroken_watch(plan: Plan, heard: Heard) -> float:
    """Seconds to watch without a loss until what was lost is a small enough share of the whole."""
    if heard.share >= plan.min_coverage or plan.min_coverage >= 1.0:
        return 0.0
    lost = (1.0 - heard.share) * heard.watched_s
    return lost / (1.0 - plan.min_coverage) - heard.watched_s


def past_mending(plan: Plan, heard: Heard, reasons: Iterable[Reason]) -> list[Reason]:
    """Those of the verdict's reasons by which the run cannot pass any more, however long it goes on."""
    if plan.purpose == "find":
        return []
    codes: tuple[str, ...] = (
        _PAST_MENDING if heard.first_fill is None else _PAST_MENDING + _PAST_MENDING_AFTER_FILL
    )
    if heard.first_fill is not None and plan.min_coverage >= 1.0:
        codes += ("coverage",)
    return [reason for reason in reasons if reason.code.startswith(codes)]


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"


def may_stop(plan: Plan, heard: Heard, lost: list[Reason], *, leaks: bool) -> str | None:
    """Why the run may be stopped now, in words; None while it has to go on.

    ``lost`` is what is past mending.
    """
    if leaks:
        return "This machine has leaked, and no further wash changes that: stop it and unplug; then end and judge."
    if lost:
        return _what_to_do({reason.code for reason in lost})
    if still_needed(plan, heard):
        return None
    if plan.sequential:
        return f"{heard.washes} leak-free washes meet both risks that the plan sets."
    return "The plan asks for nothing more."


def _what_to_do(codes: set[str]) -> str:
    """About a run that cannot pass, by the reasons."""
    if WET_BEFORE_FILL in codes:
        return (
            "Water came before the machine let any in: from the floor, or from a tap or inlet hose that leaks. "
            f"End this run, which cannot pass. {TAP_TEST}"
        )
    if "wet-at-start" in codes:
        return (
            "The floor was wet before the run began. End this run, which cannot pass, dry the floor and the pads, "
            "and begin anew."
        )
    return (
        "This run cannot pass any more. End it, put right what is named, and begin a new one on a dry floor."
    )
