"""A run's life: begun, watched, ended, judged. Lamp and alarm follow what is found."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace

import orjson
import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from soaktest import __version__
from soaktest.analysis.analyse import Analysis, Knowledge, examine
from soaktest.analysis.coverage import survey
from soaktest.analysis.progress import Stage, counted, may_stop, past_mending, stage_of, still_needed
from soaktest.analysis.verdict import FAIL_FROM, leak_chance
from soaktest.errors import RunError, Way, plain_text
from soaktest.findings import Findings, Reason, WetEvent
from soaktest.journal import Journal, run_of
from soaktest.layouts import Layout
from soaktest.plans import Plan
from soaktest.readiness import refuse_while_busy
from soaktest.recording import Header, Recording
from soaktest.records import knowledge_of
from soaktest.tables import RunRow, UnitRow
from soaktest.vocabulary import ZONES, Zone, listed
from soaktest.wire import Topic
from soaktest.workshop.stories import NewEntry, as_known, keep_entry, keep_unit

JUDGED_S = 20.0
"""Water is told at once, and what it is once it is so old: its shape has shown by then, and a phase that had just begun."""
WET_CODES = ("wet-event", "wet-before-fill", "wet-uncertain")
"""Codes of reasons that do not name the cause of their water."""
LONGEST_REASON = 200
"""Characters of why a run was begun all the same: what a certificate has room for."""


@dataclass(frozen=True, slots=True)
class Live:
    """A running test as it stands."""

    analysis: Analysis
    stage: Stage
    needs: list[str]
    at: float
    lost: list[Reason] = field(default_factory=list)
    """Why it cannot pass any more, though it does not leak."""
    may_stop: str | None = None
    """Why the run may be stopped now."""
    dry_wait_s: float = 0.0
    """Seconds for which the floor must still stay dry before the machine is started."""

    @property
    def leaks(self) -> list[WetEvent]:
        """Wet events that are leaks and old enough to be told: the run has failed by them, whether their pads are dry again or not."""
        events = self.analysis.findings.wet_events
        return [e for e in events if leak_chance(e) >= FAIL_FROM and is_ripe(e, self.at)]

    @property
    def leaked(self) -> dict[Zone, float]:
        """Zones at which it leaked in this run, the first first, and since when (UTC seconds)."""
        first: dict[Zone, float] = {}
        for event in sorted(self.leaks, key=lambda e: e.onset):
            first.setdefault(event.zone, event.onset)
        return first

    @property
    def ripens_s(self) -> float | None:
        """Seconds until the youngest water is old enough to say what it is; None where all is."""
        left = [JUDGED_S - (self.at - e.onset) for e in self.analysis.findings.wet_events]
        return max((s for s in left if s > 0.0), default=None)

    @property
    def wet_since(self) -> dict[Zone, float]:
        """Zones that became wet in this run and are wet still, by a leak or by somebody's water, and since when (UTC seconds)."""
        findings = self.analysis.findings
        wet = [e for e in findings.wet_events if e.end is None and e.cause in ("leak", "spill")]
        return {e.zone: e.onset for e in wet if e.onset > findings.began + 1.0}


def plan_of(run: RunRow) -> Plan:
    """The plan as it stood when the run began."""
    return Plan.model_validate_json(run.plan)


def layout_of(run: RunRow) -> Layout:
    """The layout as it stood when the run began."""
    return Layout.model_validate_json(run.layout)


def begin_run(
    journal: Journal,
    header: Header,
    plan: Plan,
    layout: Layout,
    override: str | None = None,
    source: str = "",
) -> RunRow:
    """Begin a run on ``header.bench`` at ``header.began``.

    ``override`` is why it is begun although something speaks against it; it stays with the run. ``source`` is
    the mark of the replay that brought its messages.

    Raises:
        RunError: another run is under way on that bench.
        InputError: the unit's tag is none, or the reason is too long or holds what cannot be printed.
    """
    reason = plain_text("reason", override or "", LONGEST_REASON) or None
    with journal.session() as session:
        if header.ended is None:
            refuse_while_busy(session, header.bench)
        tag = plain_text("unit's tag", header.unit or "", 64) or None
        if tag:
            tag = as_known(session, tag)
            if session.get(UnitRow, tag) is None:
                keep_unit(session, tag, at=header.began)
        run = RunRow(
            bench=header.bench, unit=tag, plan=plan.model_dump_json(), layout=layout.model_dump_json(),
            began=header.began, ended=header.ended, stage="dry watch", findings=None, judged_at=None, judged_by=None,
            override=reason, source=source,
        )  # fmt: skip
        session.add(run)
        try:
            session.flush()
        except IntegrityError as exc:  # two began at the same moment, and the other was first
            raise RunError(f"bench {header.bench}: another run has just been begun there.") from exc
        return run


def find_run(journal: Journal, number: int) -> RunRow:
    """A run by its number. Raises Missing where there is none."""
    with journal.session() as session:
        return run_of(session, number)


def list_runs(journal: Journal, limit: int = 50) -> list[RunRow]:
    """Runs, the newest first."""
    with journal.session() as session:
        return list(session.scalars(sa.select(RunRow).order_by(RunRow.id.desc()).limit(limit)))


def end_run(journal: Journal, number: int, at: float | None = None) -> RunRow:
    """End a run. Raises RunError where it has ended already."""
    with journal.session() as session:
        run = run_of(session, number)
        ended = max(time.time() if at is None else at, run.began)
        done = session.execute(
            sa.update(RunRow).where(RunRow.id == number, RunRow.ended.is_(None)).values(ended=ended)
        )
        if not done.rowcount:  # type: ignore[attr-defined]
            raise RunError(
                f"run {number} has ended already. Judge it", Way(f"judge {number}", "run", str(number))
            )
        session.refresh(run)
        return run


def cancel_run(journal: Journal, number: int) -> None:
    """End a run that is not worth judging; what was heard stays. Raises RunError where it has ended."""
    end_run(journal, number)
    with journal.session() as session:
        session.get_one(RunRow, number).stage = "cancelled"


def refuse_cancelled(run: RunRow) -> None:
    """Raises RunError where a run was cancelled: it has no verdict, whatever was heard in it."""
    if run.stage == "cancelled":
        raise RunError(
            f"run {run.id} was cancelled and is not judged. What was heard is kept; if it was cancelled by mistake, "
            f"write a recording of it, and judge that",
            Way(f"record {run.id}", "run", str(run.id)),
        )


def name_unit(journal: Journal, number: int, tag: str) -> RunRow:
    """Say whose run it was, where it was begun without a tag; the unit's story tells that it was said afterwards.

    Raises:
        InputError: no tag.
        RunError: the run names its unit already.
    """
    with journal.session() as session:
        run = run_of(session, number)
        unit = keep_unit(session, tag, at=run.began)
        row = sa.update(RunRow).where(RunRow.id == number, RunRow.unit.is_(None))
        if not session.execute(row.values(unit=unit.tag)).rowcount:  # type: ignore[attr-defined]
            raise RunError(
                f"run {number} is of unit {run.unit} and keeps it. A test of another unit is a run of its own."
            )
        told = f"run {number} was begun without a tag; it was said afterwards that it is of this unit"
        keep_entry(session, unit.tag, NewEntry("note", told, run=number))
        session.refresh(run)
        if run.findings:  # nothing else in them hangs on whose it was
            run.findings = orjson.dumps(orjson.loads(run.findings) | {"unit": unit.tag}).decode()
        return run


def examine_run(
    journal: Journal,
    run: RunRow,
    plan: Plan | None = None,
    layout: Layout | None = None,
    knowledge: Knowledge | None = None,
) -> Analysis:
    """Judge a run from the journal, without keeping the answer; one that was judged, by what was written down by then."""
    known = knowledge_of(journal, run, run.judged_at)
    if knowledge is not None:
        known = replace(known, earlier=knowledge.earlier, clean_washes=knowledge.clean_washes)
    return examine(journal.recording(run), layout or layout_of(run), plan or plan_of(run), known)


def judge_run(
    journal: Journal, number: int, plan: Plan | None = None, layout: Layout | None = None
) -> Analysis:
    """Judge a run; the answer is kept with it where it had ended by then and its own plan and layout were used.

    Raises RunError where it was cancelled.
    """
    run = find_run(journal, number)
    refuse_cancelled(run)
    run.judged_at = None  # judged anew, by what is written down now
    analysis = examine_run(journal, run, plan, layout)
    if plan is None and layout is None and run.ended is not None:  # one that has ended does not end again
        with journal.session() as session:
            row = session.get_one(RunRow, number)
            row.findings = analysis.findings.model_dump_json()
            row.judged_at, row.judged_by = time.time(), f"soaktest {__version__}"
            if row.stage != "cancelled":
                row.stage = "judged"
    return analysis


def look(journal: Journal, number: int, now: float | None = None) -> Live:
    """A run under way, judged as if it ended now; its stage is kept."""
    run = find_run(journal, number)
    at = time.time() if now is None else now
    recording = journal.recording(run)
    if run.ended is None:
        header = recording.header.model_copy(update={"ended": at})
        recording = Recording(header, recording.messages)
    plan = plan_of(run)
    analysis = examine(recording, layout_of(run), plan, knowledge_of(journal, run))
    ended = run.ended if run.ended is not None else at
    if run.stage == "cancelled":
        return Live(analysis, "judged", [], at, may_stop="The run was cancelled.")
    phases = counted(analysis.phases)
    heard = analysis.heard
    if phases is not analysis.phases:
        heard = survey(analysis.signals, analysis.pads, phases, plan)
    stage: Stage = "judged" if run.stage == "judged" else stage_of(heard, phases, ended)
    if stage != run.stage:
        with journal.session() as session:  # one that was ended or cancelled meanwhile keeps its own
            session.execute(
                sa.update(RunRow).where(RunRow.id == number, RunRow.stage == run.stage).values(stage=stage)
            )
    live = Live(analysis, stage, still_needed(plan, heard), at)
    lost = [] if live.leaks else past_mending(plan, heard, _ripe(analysis.findings, at))
    stop = may_stop(plan, heard, lost, leaks=bool(live.leaks))
    wait = max(plan.dry_watch_s - heard.dry_watch_s, 0.0) if heard.first_fill is None else 0.0
    return replace(live, lost=lost, may_stop=stop, dry_wait_s=wait)


def so_far(wet: list[Zone], leaked: list[Zone], *, cannot_pass: bool) -> str:
    """A run that goes on in a few words: it has no verdict yet, but water is told at once."""
    if wet:
        return f"under way, WET at {listed([zone for zone in ZONES if zone in wet])}"
    if leaked:
        return f"under way, LEAKED at {listed([zone for zone in ZONES if zone in leaked])}"
    return "under way, cannot pass" if cannot_pass else "under way"


def is_ripe(event: WetEvent, at: float) -> bool:
    """Whether water is old enough, at that moment (UTC seconds), to say what it is."""
    return at - event.onset >= JUDGED_S


def _ripe(findings: Findings, at: float) -> list[Reason]:
    """The reasons, without those about water that is too young to say what it is."""
    water = [e for e in findings.wet_events if e.cause != "fault"]
    old = [e for e in water if is_ripe(e, at)]
    if len(old) == len(water):
        return findings.reasons
    told = {"wet-at-start", *(f"wet-by-{e.cause}" for e in old), *(WET_CODES if old else ())}
    return [r for r in findings.reasons if not r.code.startswith("wet-") or r.code in told]


def lamp_message(bench: str, stage: str, verdict: str) -> tuple[str, bytes]:
    """Topic and payload for a bench's lamp."""
    return str(Topic(bench, "", "lamp")), orjson.dumps(
        {"stage": stage, "verdict": verdict, "at": time.time()}
    )


def alarm_message(bench: str, zones: list[Zone], run: int | None) -> tuple[str, bytes]:
    """Topic and payload for a bench's alarm: wet, where, and by which run."""
    told = {"wet": bool(zones), "zones": zones, "at": time.time(), "run": "" if run is None else str(run)}
    return str(Topic(bench, "", "alarm")), orjson.dumps(told)
