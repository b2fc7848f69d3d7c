"""Runs weighed together: earlier ones of the same unit, not repaired in between, each counted once."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

from soaktest.vocabulary import plural

if TYPE_CHECKING:
    from soaktest.analysis.analyse import Analysis, Knowledge
    from soaktest.findings import Findings
    from soaktest.plans import Plan
    from soaktest.recording import Recording
    from soaktest.tables import RunRow

SHORT_ONLY = ("too-few-washes", "risk-not-met", "watch-too-short")
"""What a run may lack, beside exercise, and still have watched each of its washes."""


class Named(NamedTuple):
    """A run or recording as it was named, and what it heard; ``run`` is None of a file."""

    what: str
    recording: Recording
    run: RunRow | None


class Weighed(NamedTuple):
    """The answer, and of each earlier run what it adds to the leak-free washes, in words."""

    analysis: Analysis
    added: list[str]


def judge_together(what: str, others: list[str], plan: str | None, layout: str | None) -> Weighed:
    """Judge a run with what earlier ones say of its parts, and with the leak-free washes that they watched.

    All are held to the plan of the one that is judged: a wash that it would not have believed is not counted.

    Raises:
        InputError: one of another unit, from before a repair, or whose packs were heard in another of them.
    """
    from soaktest.analysis.analyse import Knowledge

    last, earlier = opened(what), [opened(other) for other in others]
    _refuse_twice([last, *earlier])
    for one in earlier:
        _refuse_another_machine(last, one)
    held_to = _plan_of(last, plan)
    known, added = Knowledge(earlier={}), []
    for one in earlier:
        told = _examined(one, held_to, layout, Knowledge(earlier=known.earlier))
        washes = watched_washes(told.findings)
        parts = told.explanation.part_log_likelihood or known.earlier
        known = Knowledge(earlier=parts, clean_washes=known.clean_washes + washes)
        why = "" if washes else f": {_why_none(told.findings)}"
        added.append(f"{one.what} adds {plural(washes, 'leak-free wash')}{why}")
    return Weighed(_examined(last, held_to, layout, known), added)


def watched_washes(findings: Findings) -> int:
    """Washes that a run watched from end to end and saw no water in, by its own evidence alone.

    One that passed watched them; so did one that only lacks washes, time or exercise. A pad unheard or unsound, a gap,
    or water that nobody can explain, and a wash may have leaked unseen.
    """
    if findings.verdict == "pass":
        return findings.assurance.leak_free_washes
    return 0 if findings.wet_events or _unwatched(findings) else findings.washes


def _unwatched(findings: Findings) -> list[str]:
    """Why the washes of a run that did not pass count for nothing."""
    return [
        reason.text
        for reason in findings.reasons
        if reason.code not in SHORT_ONLY and not reason.code.startswith("exercise-")
    ]


def _why_none(findings: Findings) -> str:
    return next(iter(_unwatched(findings)), "it saw no complete wash.")


def opened(what: str) -> Named:
    """A run of the journal by its number, or a recording file."""
    from soaktest.cli.judge import is_number

    if is_number(what):
        from soaktest.bench import find_run
        from soaktest.cli.runs import journal

        book = journal()
        run = find_run(book, int(what))
        return Named(what, book.recording(run), run)
    from soaktest.recording import read_recording

    return Named(what, read_recording(what), None)


def _plan_of(one: Named, plan: str | None) -> Plan:
    from soaktest.bench import plan_of
    from soaktest.plans import named_plan, read_plan

    if plan:
        return read_plan(plan)
    return plan_of(one.run) if one.run else named_plan(one.recording.header.plan)


def _examined(one: Named, plan: Plan, layout: str | None, known: Knowledge) -> Analysis:
    from soaktest.analysis.analyse import examine
    from soaktest.layouts import named_layout, read_layout

    chosen = read_layout(layout) if layout else None
    if one.run:
        from soaktest.bench import examine_run
        from soaktest.cli.runs import journal

        return examine_run(journal(), one.run, plan, chosen, known)
    return examine(one.recording, chosen or named_layout(one.recording.header.layout), plan, known)


def _refuse_twice(named: list[Named]) -> None:
    """A wash counts once, whether it is named by number, by file, or by a copy of either."""
    from soaktest.errors import InputError

    packs = [(one.what, _packs(one.recording)) for one in named]
    for (first, heard), (second, again) in combinations(packs, 2):
        if first == second or heard & again:
            raise InputError(
                f"{first} and {second} hold the same wash: a run is weighed with other runs, and each of them once."
            )


def _packs(recording: Recording) -> set[tuple[str, str, str, int]]:
    """The names of what was heard, (bench, node, boot, seq): no two runs share one, and copies share them all."""
    from soaktest.errors import MessageFault
    from soaktest.wire import parse_readings, parse_topic

    found = set()
    for message in recording.messages:
        try:
            topic = parse_topic(message.topic)
            if topic.kind == "readings":
                pack = parse_readings(message.payload, topic, message.at)
                found.add((topic.bench, topic.node, pack.boot, pack.seq))
        except MessageFault:
            continue
    return found


def _refuse_another_machine(last: Named, earlier: Named) -> None:
    """Runs are judged together only of one unit as it was: not of another, and not across a repair."""
    from soaktest.errors import InputError

    unit, before = last.recording.header.unit, earlier.recording.header.unit
    if unit and before and unit != before:
        raise InputError(
            f"{earlier.what} is of unit {before}, {last.what} of unit {unit}: only runs of one unit are judged together."
        )
    if unit and before and last.run and earlier.run:
        from soaktest.cli.runs import journal
        from soaktest.workshop.stories import story_of

        first, end = sorted((last.run.began, earlier.run.began))
        repairs = [e for e in story_of(journal(), unit) if e.what == "repair" and first <= e.at <= end]
        if any(e.corrected_by is None for e in repairs):
            raise InputError(
                f"unit {unit} was repaired between {earlier.what} and {last.what}: what leaked before says nothing of it now. "
                f"Judge {last.what} alone."
            )
