"""What speaks against certifying a run: what was taken back, what came later; and how the runs before it came out."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import Final

import orjson
import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from soaktest.analysis.verdict import FAIL_FROM
from soaktest.bench import plan_of
from soaktest.errors import InputError, Way
from soaktest.findings import kept_verdict
from soaktest.tables import CertificateRow, MessageRow, RunRow
from soaktest.workshop.stories import standing_entries

OUTCOMES: Final = ("leaked", "proved nothing", "given up", "not judged", "only searched", "passed")


def certified_runs(session: Session, run: RunRow) -> list[int]:
    """Numbers of the certified runs that rest on the same test: the run itself, and what it replays or is replayed by.

    A pack has one name for good (node, boot, seq): runs that share one were heard on the same occasion,
    whatever else their recordings' first lines say.
    """
    others = session.scalars(
        sa.select(RunRow).where(
            RunRow.id.in_(sa.select(CertificateRow.run)),
            RunRow.bench == run.bench, RunRow.began <= run.ended, RunRow.ended >= run.began,
        )
    )  # fmt: skip
    return [other.id for other in others if other.id == run.id or _share_a_pack(session, run, other)]


def _share_a_pack(session: Session, one: RunRow, other: RunRow) -> bool:
    mine, theirs = aliased(MessageRow), aliased(MessageRow)
    same = [getattr(mine, name) == getattr(theirs, name) for name in ("bench", "node", "boot", "seq")]
    shared = sa.select(mine.id).where(
        mine.source == one.source, mine.bench == one.bench, mine.at.between(one.began, one.ended),
        theirs.source == other.source, theirs.at.between(other.began, other.ended), *same,
    )  # fmt: skip
    return session.scalar(shared.limit(1)) is not None


def refuse_taken_back(session: Session, run: RunRow, same_test: Sequence[int]) -> None:
    """A run speaks for a unit only while nothing newer speaks against it: no certificate of the same test that was
    revoked for cause, no later run that leaked or of which nobody knows, no repair and no comeback since.

    Raises:
        InputError: what speaks against it, and what to do.
    """
    if run.stage == "cancelled":
        raise InputError(
            f"run {run.id} was cancelled; it cannot be certified. Test the unit again, and certify that run."
        )
    replaced = set(session.scalars(sa.select(CertificateRow.supersedes)))
    for row in session.scalars(sa.select(CertificateRow).where(CertificateRow.run.in_(same_test))):
        if row.revoked_at is not None and row.number not in replaced:
            raise InputError(
                f"certificate {row.number} for run {row.run}{_same(row, run)} was revoked: {row.revoked_why}. "
                "Test the unit again, and certify that run."
            )
    later = sa.select(RunRow).where(RunRow.unit == run.unit, RunRow.began > run.began)
    for other in session.scalars(later.order_by(RunRow.began)):
        _refuse_later(run, other)
    for entry in standing_entries(session):
        if (
            entry.unit == run.unit
            and entry.what in ("came back", "repair")
            and entry.at > (run.ended or run.began)
        ):
            what = "came back" if entry.what == "came back" else "was repaired"
            before = datetime.fromtimestamp(run.began - 60).isoformat(timespec="minutes")
            mend = ["unit", "write", entry.unit, entry.what, "--corrects", str(entry.id), "--on", before]
            raise InputError(
                f"unit {run.unit} {what} after run {run.id}. Test it again, and certify that run; or, where the entry was "
                f"written late, say when it was, if that was before the run: soaktest {shlex.join(mend)}"
            )


def _refuse_later(run: RunRow, other: RunRow) -> None:
    which = f"run {other.id} of unit {run.unit}"
    if other.ended is None:
        raise InputError(
            f"{which} is under way. End it and judge it first",
            Way(f"run end {other.id}", "bench", other.bench),
        )
    if other.findings is None:
        raise InputError(
            f"{which} came after run {run.id} and is not judged yet. Judge it first",
            Way(f"judge {other.id}", "run", str(other.id)),
        )
    if _leaked(other.findings):
        what = "failed" if kept_verdict(other.findings) == "fail" else "found a leak"
        raise InputError(f"{which} {what} after run {run.id}. Mend it, test again, and certify that run.")


def refuse_second(session: Session, run: RunRow, same_test: Sequence[int], supersedes: int | None) -> None:
    """One test has one certificate that stands. Raises InputError where another is not superseded."""
    standing = session.scalar(
        sa.select(CertificateRow)
        .where(CertificateRow.run.in_(same_test), CertificateRow.revoked_at.is_(None))
        .order_by(CertificateRow.number.desc())
    )
    if standing is not None and supersedes != standing.number:
        raise InputError(
            f"run {standing.run}{_same(standing, run)} has certificate {standing.number}. "
            f"Correct it with --supersedes {standing.number}."
        )


def _same(row: CertificateRow, run: RunRow) -> str:
    return "" if row.run == run.id else f", the same test as run {run.id},"


def earlier_in_words(session: Session, run: RunRow) -> str:
    """How the unit's runs before this one came out, such as ``2 leaked, 1 given up``; empty where there was none."""
    before = session.scalars(sa.select(RunRow).where(RunRow.unit == run.unit, RunRow.began < run.began))
    counted = Counter(_outcome(other) for other in before)
    return ", ".join(f"{counted[outcome]} {outcome}" for outcome in OUTCOMES if counted[outcome])


def _outcome(run: RunRow) -> str:
    """One of ``OUTCOMES``; a leak is told first, whatever the plan asked and whether the run was given up."""
    if _leaked(run.findings):
        return "leaked"
    if run.stage == "cancelled":
        return "given up"
    verdict = kept_verdict(run.findings)
    if verdict is None or run.ended is None:
        return "not judged"
    if verdict == "pass":
        return "passed"
    return "only searched" if plan_of(run).purpose == "find" else "proved nothing"


def _leaked(findings: str | None) -> bool:
    """By the wet events, not by the verdict's word: a plan that looks for leaks fails nothing."""
    told = orjson.loads(findings) if findings else {}
    chances = (event["cause_probability"].get("leak", 0.0) for event in told.get("wet_events", ()))
    return told.get("verdict") == "fail" or any(chance >= FAIL_FROM for chance in chances)
