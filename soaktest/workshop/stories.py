"""A unit's story: taken in, complaint, diagnosis, repair, sold, came back; beside it its runs and certificates.

Nothing is deleted. An entry is corrected by a further one that names it; only a customer's personal
data may be erased, and no certificate contains any.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any, Final, Literal, get_args

import orjson
import sqlalchemy as sa

from soaktest.errors import InputError
from soaktest.findings import kept_verdict
from soaktest.journal import Journal
from soaktest.tables import CertificateRow, RunRow, StoryRow, UnitRow

What = Literal["taken in", "complaint", "diagnosis", "repair", "sold", "came back", "note"]
WHATS: Final[tuple[What, ...]] = get_args(What)
LONGEST = 2000


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a story: ``number`` only for what people wrote; cost in the workshop's currency."""

    at: float
    what: str
    text: str
    number: int | None = None
    part: str | None = None
    minutes: float | None = None
    cost: float | None = None
    run: int | None = None
    verdict: str | None = None
    personal: str | None = None
    corrected_by: int | None = None


@dataclass(frozen=True, slots=True)
class UnitLine:
    """A unit in the list: what happened last, and how its last run ended."""

    unit: UnitRow
    runs: int
    last: str
    last_at: float
    verdict: str | None


def take_in(journal: Journal, tag: str, kind: str = "", serial: str = "", complaint: str = "") -> UnitRow:
    """Take a unit in, or add to what is known of it. Raises InputError for a tag of no or too many characters."""
    if not 0 < len(tag.strip()) <= 64:
        raise InputError("a unit's tag has 1 to 64 characters, such as A-0417.")
    with journal.session() as session:
        row = session.get(UnitRow, tag.strip())
        if row is None:
            row = UnitRow(
                tag=tag.strip(), kind=kind, serial=serial, complaint=complaint, taken_in=time.time()
            )
            session.add(row)
        else:
            row.kind, row.serial, row.complaint = (
                kind or row.kind,
                serial or row.serial,
                complaint or row.complaint,
            )
        session.flush()
        return row


def find_unit(journal: Journal, tag: str) -> UnitRow:
    """A unit by its tag. Raises InputError where there is none."""
    with journal.session() as session:
        row = session.get(UnitRow, tag)
    if row is None:
        raise InputError(f"there is no unit {tag!r}. Take it in: soaktest unit take-in {tag}")
    return row


def write_entry(journal: Journal, tag: str, entry: Entry, corrects: int | None = None) -> StoryRow:
    """Add to a unit's story.

    Raises:
        InputError: no such unit, run or entry to correct; an unknown word for what happened; a text
            too long; minutes or cost below nought.
    """
    if entry.what not in WHATS:
        raise InputError(f"{entry.what!r} is none of: {', '.join(WHATS)}.")
    if len(entry.text) > LONGEST:
        raise InputError(f"the text has {len(entry.text)} characters; {LONGEST} at the most.")
    for name, value in (("minutes", entry.minutes), ("cost", entry.cost)):
        if value is not None and not 0 <= value < 1e7:
            raise InputError(f"{name} = {value} must be a number from 0.")
    find_unit(journal, tag)
    with journal.session() as session:
        if corrects is not None:
            old = session.get(StoryRow, corrects)
            if old is None or old.unit != tag:
                raise InputError(f"unit {tag} has no entry {corrects} to correct.")
        if entry.run is not None and session.get(RunRow, entry.run) is None:
            raise InputError(f"there is no run {entry.run} in the journal.")
        row = StoryRow(
            unit=tag, at=entry.at, what=entry.what, text=entry.text, part=entry.part, minutes=entry.minutes, cost=entry.cost, run=entry.run,
            personal=entry.personal, corrects=corrects, written_at=time.time(),
        )  # fmt: skip
        session.add(row)
        session.flush()
        return row


def erase_personal(journal: Journal, tag: str) -> int:
    """Erase the personal data in a unit's story; returns in how many entries there was any."""
    find_unit(journal, tag)
    with journal.session() as session:
        done = session.execute(
            sa.update(StoryRow)
            .where(StoryRow.unit == tag, StoryRow.personal.is_not(None))
            .values(personal=None)
        )
        return int(done.rowcount)  # type: ignore[attr-defined]


def story_of(journal: Journal, tag: str) -> list[Entry]:
    """The unit's story with its runs and certificates, in the order of time."""
    unit = find_unit(journal, tag)
    with journal.session() as session:
        rows = list(session.scalars(sa.select(StoryRow).where(StoryRow.unit == tag)))
        runs = list(session.scalars(sa.select(RunRow).where(RunRow.unit == tag)))
        signed = list(session.scalars(sa.select(CertificateRow).where(CertificateRow.unit == tag)))
    corrected = {row.corrects: row.id for row in rows if row.corrects is not None}
    out = [
        Entry(unit.taken_in, "taken in", " ".join(filter(None, (unit.kind, unit.serial))) or "unit taken in")
    ]
    if unit.complaint:
        out.append(Entry(unit.taken_in, "complaint", unit.complaint))
    out += [
        Entry(
            r.at,
            r.what,
            r.text,
            r.id,
            r.part,
            r.minutes,
            r.cost,
            r.run,
            None,
            r.personal,
            corrected.get(r.id),
        )
        for r in rows
    ]
    out += [
        Entry(run.began, "run", _of_run(run), run=run.id, verdict=kept_verdict(run.findings)) for run in runs
    ]
    out += [Entry(c.issued_at, "certificate", _of_certificate(c), run=c.run) for c in signed]
    return sorted(out, key=lambda entry: (entry.at, entry.number or 0))


def _of_run(run: RunRow) -> str:
    plan = orjson.loads(run.plan)["name"]
    return f"run {run.id} on bench {run.bench}, plan {plan}: {kept_verdict(run.findings) or run.stage}"


def _of_certificate(row: CertificateRow) -> str:
    state = f", revoked: {row.revoked_why}" if row.revoked_at else ""
    return (
        f"certificate {row.number} for run {row.run}"
        + (f", in place of {row.supersedes}" if row.supersedes else "")
        + state
    )


def list_units(journal: Journal, find: str = "") -> list[UnitLine]:
    """Units whose tag, serial, kind or complaint holds the words, what happened last first."""
    chosen = sa.select(UnitRow)
    for word in find.split():
        like = f"%{word.replace('%', '').replace('_', '')}%"
        chosen = chosen.where(
            sa.or_(
                *(
                    column.ilike(like)
                    for column in (UnitRow.tag, UnitRow.serial, UnitRow.kind, UnitRow.complaint)
                )
            )
        )
    with journal.session() as session:
        units = list(session.scalars(chosen))
        runs = list(session.scalars(sa.select(RunRow).where(RunRow.unit.is_not(None)).order_by(RunRow.began)))
        rows = list(session.scalars(sa.select(StoryRow).order_by(StoryRow.at)))
    by_unit: dict[str, list[RunRow]] = {}
    for run in runs:
        by_unit.setdefault(str(run.unit), []).append(run)
    last = {row.unit: row for row in rows}
    out = []
    for unit in units:
        own = by_unit.get(unit.tag, [])
        what, at = ("taken in", unit.taken_in)
        if unit.tag in last and last[unit.tag].at >= at:
            what, at = last[unit.tag].what, last[unit.tag].at
        if own and own[-1].began >= at:
            what, at = "run", own[-1].began
        verdicts = [v for run in own if (v := kept_verdict(run.findings))]
        out.append(UnitLine(unit, len(own), what, at, verdicts[-1] if verdicts else None))
    return sorted(out, key=lambda line: -line.last_at)


def entry_as_dict(entry: Entry) -> dict[str, Any]:
    """An entry for JSON; empty fields are left out."""
    fields = (
        "at",
        "what",
        "text",
        "number",
        "part",
        "minutes",
        "cost",
        "run",
        "verdict",
        "personal",
        "corrected_by",
    )
    return {name: value for name in fields if (value := getattr(entry, name)) is not None}
