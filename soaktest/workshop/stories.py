"""A unit's story: taken in, complaint, diagnosis, repair, sold, came back; beside it its runs and certificates.

Nothing is deleted. An entry is corrected by a further one that names it; only a customer's personal
data may be erased, and no certificate contains any.
"""

from __future__ import annotations

import shlex
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from datetime import date
from typing import Any, Final, Literal, get_args

import orjson
import sqlalchemy as sa
from sqlalchemy.orm import Session

from soaktest.errors import InputError, Missing, Way, plain_text
from soaktest.findings import kept_name, kept_verdict
from soaktest.journal import Journal
from soaktest.tables import CertificateRow, RunRow, StoryRow, UnitRow
from soaktest.workshop.days import on_day
from soaktest.workshop.parts import refuse_unknown_part
from soaktest.workshop.standing import Standing, standing_of

What = Literal["taken in", "complaint", "diagnosis", "repair", "sold", "came back", "note"]
WHATS: Final[tuple[What, ...]] = get_args(What)
Work = Literal["replaced", "resealed", "tightened", "cleaned", "adjusted", "other"]
WORKS: Final[tuple[Work, ...]] = get_args(Work)
LONGEST = 2000
INHERITED: Final = ("at", "part", "work", "minutes", "cost", "run", "personal")
"""What a correction has, beside words, from the entry that it corrects."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a story: ``number`` only for what people wrote; cost in the workshop's currency."""

    at: float
    what: str
    text: str
    number: int | None = None
    part: str | None = None
    work: str | None = None
    minutes: float | None = None
    cost: float | None = None
    run: int | None = None
    verdict: str | None = None
    personal: str | None = None
    corrects: int | None = None
    corrected_by: int | None = None
    written_at: float | None = None


@dataclass(frozen=True, slots=True)
class NewEntry:
    """What a person writes.

    ``at`` in UTC seconds, or a day of which no hour is known (see :func:`on_day`); None for now. A correction has from the
    entry that it corrects whatever is left out; an empty part or work takes it away.
    """

    what: str = ""
    text: str = ""
    at: float | date | None = None
    part: str | None = None
    """The layout's part that was repaired, or that let the water out when the unit came back."""
    work: str | None = None
    """What was done to it, one of ``WORKS``."""
    minutes: float | None = None
    cost: float | None = None
    """Of the parts; of a sale, the price."""
    run: int | None = None
    personal: str | None = None
    corrects: int | None = None
    written_at: float | None = None
    """UTC seconds, where it was written elsewhere and brought in; None for now."""


def take_in(
    journal: Journal,
    tag: str,
    kind: str = "",
    serial: str = "",
    complaint: str = "",
    on: float | date | None = None,
) -> UnitRow:
    """Take a unit in, or add to what is known of it; what was known before stays in its story.

    Args:
        journal: the journal.
        tag: the unit's.
        kind: of machine.
        serial: the maker's number.
        complaint: what its owner said.
        on: when, in UTC seconds, or a day of which no hour is known; now by default.

    Raises:
        InputError: a tag of no or too many characters, or a day that lies in the future.
    """
    now = time.time()
    with journal.session() as session:
        name = as_known(session, plain_text("tag", tag, 64))
        at = on_day(session, UnitRow(tag=name), "taken in", on, now) if isinstance(on, date) else on
        at = now if at is None else _not_ahead(at, now)
        known = session.get(UnitRow, name)
        if known is None:
            return keep_unit(session, name, kind, serial, complaint, at)
        before = known.kind, known.serial, known.complaint
        row = keep_unit(session, name, kind, serial, complaint)
        session.add_all(
            StoryRow(unit=name, at=when, what=what, text=text[:LONGEST], written_at=now)
            for when, what, text in _told_later(session, row, before, at)
        )
        return row


def _told_later(
    session: Session, row: UnitRow, before: tuple[str, str, str], at: float
) -> Iterator[tuple[float, What, str]]:
    """What taking in a unit that was known already adds to its story: at its own time, not at that of the first word."""
    told = list(session.scalars(sa.select(StoryRow).where(StoryRow.unit == row.tag)))
    runs = session.scalars(sa.select(RunRow).where(RunRow.unit == row.tag))
    if first_seen(row, runs) and not any(entry.what == "taken in" for entry in told):
        yield at, "taken in", _described(row)
    kind, serial, complaint = before
    changes = [
        f"{field} was “{old}”, now “{new}”"
        for field, old, new in (("kind", kind, row.kind), ("serial", serial, row.serial))
        if old and old != new
    ]
    if changes:
        yield at, "note", "; ".join(changes)
    if row.complaint != complaint:
        if complaint and not _complained(told, complaint):
            yield row.taken_in, "complaint", complaint
        yield at, "complaint", row.complaint


def first_seen(unit: UnitRow, runs: Iterable[RunRow]) -> RunRow | None:
    """The run that a unit is known by; None of one that was taken in before it was run."""
    return next((run for run in runs if run.began == unit.taken_in), None)


def _complained(rows: Iterable[StoryRow], complaint: str) -> bool:
    return any(row.what == "complaint" and row.text == complaint for row in rows)


def _described(unit: UnitRow) -> str:
    return " ".join(filter(None, (unit.kind, unit.serial))) or "unit taken in"


def keep_unit(
    session: Session, tag: str, kind: str = "", serial: str = "", complaint: str = "", at: float | None = None
) -> UnitRow:
    """Keep what is given of a unit, within a session; ``at`` is when a new one was first heard of, now by default."""
    name = as_known(session, plain_text("tag", tag, 64))
    if not name:
        raise InputError("a unit's tag has 1 to 64 characters, such as A-0417.")
    if {".", ".."} & set(name.split("/")):
        raise InputError(
            f"a unit's tag {name!r} has a part of dots alone, which no address can hold. Leave it out."
        )
    given = {
        "kind": plain_text("kind", kind, 64),
        "serial": plain_text("serial", serial, 128),
        "complaint": plain_text("complaint", complaint, LONGEST, lines=True),
    }
    row = session.get(UnitRow, name)
    if row is None:
        row = UnitRow(tag=name, **given, taken_in=time.time() if at is None else at)
        session.add(row)
    for field, value in given.items():
        if value:
            setattr(row, field, value)
    session.flush()
    return row


def as_known(session: Session, tag: str) -> str:
    """A tag as the book has it, where a single one differs in capitals only: nobody types a label twice alike."""
    if session.get(UnitRow, tag) is not None:
        return tag
    alike = sa.select(UnitRow.tag).where(sa.func.lower(UnitRow.tag) == tag.lower()).limit(2)
    found = list(session.scalars(alike))
    return found[0] if len(found) == 1 else tag


def find_unit(journal: Journal, tag: str) -> UnitRow:
    """A unit by its tag. Raises InputError where there is none."""
    with journal.session() as session:
        return unit_of(session, tag)


def is_known(journal: Journal, tag: str) -> bool:
    """Whether a unit is in the book."""
    with journal.session() as session:
        return session.get(UnitRow, as_known(session, tag)) is not None


def unit_of(session: Session, tag: str) -> UnitRow:
    """:func:`find_unit` within a session."""
    row = session.get(UnitRow, as_known(session, tag))
    if row is None:
        raise Missing(
            f"there is no unit {tag!r}. Take it in", Way(f"unit take-in {shlex.quote(tag)}", "units")
        )
    return row


def write_entry(journal: Journal, tag: str, entry: NewEntry) -> StoryRow:
    """Add to a unit's story.

    Raises:
        InputError: no such unit, run, part or entry to correct, or one corrected already; an unknown word for what
            happened or was done; a text too long; minutes or cost below nought.
    """
    with journal.session() as session:
        return keep_entry(session, tag, entry)


def keep_entry(session: Session, tag: str, entry: NewEntry) -> StoryRow:
    """:func:`write_entry` within a session."""
    unit, now = unit_of(session, tag), time.time()
    if (
        entry.part and entry.written_at is None
    ):  # what was written elsewhere may name a part of a layout there
        refuse_unknown_part(session, unit, plain_text("part", entry.part, 64))
    entry = _with_what_stands(session, unit.tag, entry)
    if entry.what not in WHATS:
        raise InputError(f"{entry.what or 'no word'!r} is none of: {', '.join(WHATS)}.")
    if entry.work and entry.work not in WORKS:
        raise InputError(f"{entry.work!r} is none of: {', '.join(WORKS)}.")
    text = plain_text("text", entry.text, LONGEST, lines=True)
    part = plain_text("part", entry.part or "", 64)
    personal = plain_text("personal", entry.personal or "", LONGEST, lines=True)
    for name, value in (("minutes", entry.minutes), ("cost", entry.cost)):
        if value is not None and not 0 <= value < 1e7:
            raise InputError(f"{name} = {value} must be a number from 0.")
    given = entry.at
    at = on_day(session, unit, entry.what, given, now) if isinstance(given, date) else given
    written = now if entry.written_at is None else entry.written_at
    if entry.run is not None and session.get(RunRow, entry.run) is None:
        raise Missing(f"there is no run {entry.run} in the journal.")
    row = StoryRow(
        unit=unit.tag, at=now if at is None else _not_ahead(at, now), what=entry.what, text=text, part=part or None, work=entry.work or None,
        minutes=entry.minutes, cost=entry.cost, run=entry.run, personal=personal or None, corrects=entry.corrects,
        written_at=min(written, now),
    )  # fmt: skip
    session.add(row)
    session.flush()
    return row


def _not_ahead(at: float, now: float) -> float:
    if not 0 <= at <= now + 86_400:
        raise InputError("the day lies in the future. Write down what has happened.")
    return at


def _with_what_stands(session: Session, tag: str, entry: NewEntry) -> NewEntry:
    """A correction says again what it does not say anew. One that was written elsewhere says all it has to say: what it
    leaves out was taken back there.
    """
    if entry.corrects is None:
        return entry
    old = session.get(StoryRow, entry.corrects)
    if old is None or old.unit != tag:
        raise InputError(f"unit {tag} has no entry {entry.corrects} to correct.")
    newer = session.scalar(sa.select(StoryRow.id).where(StoryRow.corrects == entry.corrects))
    if newer is not None:
        raise InputError(f"entry {entry.corrects} was corrected by entry {newer} already. Correct that one.")
    if entry.written_at is not None:
        return replace(entry, at=old.at if entry.at is None else entry.at)
    kept = {name: getattr(old, name) for name in INHERITED if getattr(entry, name) is None}
    return replace(entry, what=entry.what or old.what, text=entry.text or old.text, **kept)


def standing_entries(
    session: Session, before: float | None = None, written_by: float | None = None
) -> list[StoryRow]:
    """Entries that nobody corrected, in order of time.

    With ``before``, of what had happened by then; an entry may have been written later, a correction may not: it changes
    what was known. With ``written_by``, none that was written after that moment. Both in UTC seconds.
    """
    rows = list(session.scalars(sa.select(StoryRow).order_by(StoryRow.at, StoryRow.id)))
    if written_by is not None:
        rows = [row for row in rows if row.written_at <= written_by]
    if before is not None:
        rows = [row for row in rows if row.corrects is None or row.written_at <= before]
    corrected = {row.corrects for row in rows}
    return [row for row in rows if row.id not in corrected and (before is None or row.at <= before)]


def erase_personal(journal: Journal, tag: str) -> int:
    """Erase the personal data in a unit's story; returns in how many entries there was any."""
    unit = find_unit(journal, tag)
    with journal.session() as session:
        done = session.execute(
            sa.update(StoryRow)
            .where(StoryRow.unit == unit.tag, StoryRow.personal.is_not(None))
            .values(personal=None)
        )
        return int(done.rowcount)  # type: ignore[attr-defined]


def story_of(journal: Journal, tag: str) -> list[Entry]:
    """The unit's story with its runs and certificates, in the order of time."""
    unit = find_unit(journal, tag)
    with journal.session() as session:
        rows = list(session.scalars(sa.select(StoryRow).where(StoryRow.unit == unit.tag)))
        runs = list(session.scalars(sa.select(RunRow).where(RunRow.unit == unit.tag)))
        signed = standing_of(
            session, session.scalars(sa.select(CertificateRow).where(CertificateRow.unit == unit.tag))
        )
    corrected = {row.corrects: row.id for row in rows if row.corrects is not None}
    met = first_seen(unit, runs)
    first = ("first seen", f"in run {met.id}") if met else ("taken in", _described(unit))
    out = [Entry(unit.taken_in, *first)]
    if unit.complaint and not _complained(rows, unit.complaint):
        out.append(Entry(unit.taken_in, "complaint", unit.complaint))
    out += [
        Entry(
            r.at, r.what, r.text, r.id, r.part, r.work, r.minutes, r.cost, r.run, None, r.personal, r.corrects, corrected.get(r.id),
            r.written_at,
        )
        for r in rows
    ]  # fmt: skip
    out += [
        Entry(run.began, "run", _of_run(run), run=run.id, verdict=kept_verdict(run.findings)) for run in runs
    ]
    out += [Entry(c.row.issued_at, "certificate", _of_certificate(c), run=c.row.run) for c in signed]
    return sorted(out, key=lambda entry: (entry.at, entry.number or 0))


def _of_run(run: RunRow) -> str:
    plan = orjson.loads(run.plan)["name"]
    state = run.stage if run.ended is None or run.stage == "cancelled" else "not judged yet"
    return f"run {run.id} on bench {run.bench}, plan {plan}: {kept_name(run.findings) or state}"


def _of_certificate(told: Standing) -> str:
    row = told.row
    return (
        f"certificate {row.number} for run {row.run}"
        + (f", in place of {row.supersedes}" if row.supersedes else "")
        + (f", revoked: {told.fallen}" if told.fallen else "")
    )


def entry_as_dict(entry: Entry) -> dict[str, Any]:
    """An entry for JSON; empty fields are left out."""
    return {field.name: value for field in fields(entry) if (value := getattr(entry, field.name)) is not None}
