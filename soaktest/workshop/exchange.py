"""Units and stories as CSV and JSON, out and in again. Runs go along to be read; they travel as recordings."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from datetime import date
from typing import Any, Final, NamedTuple

import orjson
import sqlalchemy as sa
from sqlalchemy.orm import Session

from soaktest.errors import InputError, plain_text
from soaktest.journal import Journal
from soaktest.tables import StoryRow, UnitRow
from soaktest.workshop.days import day_span, when_given
from soaktest.workshop.stories import (
    WHATS,
    WORKS,
    NewEntry,
    as_known,
    entry_as_dict,
    keep_entry,
    keep_unit,
    story_of,
)
from soaktest.workshop.units import list_units

OF_UNIT: Final = ("unit", "kind", "serial", "complaint", "taken_in")
OF_ENTRY: Final = (
    "number", "corrects", "at", "what", "text", "part", "work", "minutes", "cost", "written_at",
)  # fmt: skip
COLUMNS: Final = OF_UNIT + OF_ENTRY
LONGEST: Final = {"kind": 64, "serial": 128, "complaint": 2000, "text": 2000, "part": 64}
MOMENTS: Final = ("taken_in", "at", "written_at")
NUMBERS: Final = (*MOMENTS, "minutes", "cost", "number", "corrects")
FORMULA: Final = ("=", "+", "-", "@")
"""A cell that begins so is a formula to a spreadsheet."""


class Taken(NamedTuple):
    """How many units and entries were new."""

    units: int
    entries: int


def export_json(journal: Journal) -> bytes:
    """All units, what people wrote of them with every correction, and their runs; personal data stays here."""
    units = []
    for line in list_units(journal, sort="unit"):
        story = story_of(journal, line.unit.tag)
        written = [entry for entry in story if entry.number is not None]
        # in the order of writing: a correction stands after what it corrects, whatever day it names
        own = [entry_as_dict(entry) for entry in sorted(written, key=lambda entry: entry.number or 0)]
        for entry in own:
            entry.pop("personal", None)
            entry.pop("run", None)
        runs = [{"run": e.run, "began": e.at, "verdict": e.verdict} for e in story if e.what == "run"]
        unit = line.unit
        units.append(
            {
                "unit": unit.tag,
                "kind": unit.kind,
                "serial": unit.serial,
                "complaint": unit.complaint,
                "taken_in": unit.taken_in,
                "story": own,
                "runs": runs,
            }
        )
    return orjson.dumps({"units": units}, option=orjson.OPT_INDENT_2)


def export_csv(journal: Journal) -> str:
    """Units and entries as a table, a row an entry; a unit without entries has one row."""
    out = io.StringIO()
    table = csv.DictWriter(out, COLUMNS)
    table.writeheader()
    for unit in orjson.loads(export_json(journal))["units"]:
        base = {name: unit[name] for name in OF_UNIT}
        for entry in unit["story"] or [{}]:
            cells = base | {k: v for k, v in entry.items() if k in OF_ENTRY}
            table.writerow({k: _as_text(v) if isinstance(v, str) else v for k, v in cells.items()})
    return out.getvalue()


def _as_text(cell: str) -> str:
    """A cell with an apostrophe before it where a spreadsheet would take it for a formula."""
    return f"'{cell}" if cell.lstrip("'").startswith(FORMULA) else cell


def _as_told(cell: str) -> str:
    """The same without that apostrophe."""
    return cell[1:] if cell.startswith("'") and cell.lstrip("'").startswith(FORMULA) else cell


def import_table(journal: Journal, text: str) -> Taken:
    """Take in units and entries from CSV, all or none of them.

    Raises:
        InputError: a missing column, an unknown one, a cell too many, or a value that cannot be, by row and column.
    """
    rows = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")), restkey="", strict=True)
    try:
        header = rows.fieldnames or []
        unknown = [name for name in header if name not in COLUMNS]
        if "unit" not in header or unknown:
            raise InputError(
                f"row 1: columns must be among {', '.join(COLUMNS)}, with unit; found {', '.join(unknown) or 'no unit'}."
            )
        if len(set(header)) < len(header):
            raise InputError("row 1: a column stands there twice.")
        checked = []
        for number, row in enumerate(rows, 2):
            if "" in row:
                raise InputError(
                    f"row {number}: has {len(row['']) + len(header)} cells for {len(header)} columns. Put commas in quotes."
                )
            told = {name: _as_told(cell or "") for name, cell in row.items()}
            checked.append(_checked(told, f"row {number}"))
    except csv.Error as exc:
        raise InputError(f"row {rows.line_num}: is no CSV that can be read ({exc}).") from exc
    return _take(journal, checked)


def import_json(journal: Journal, content: bytes) -> Taken:
    """Take in what :func:`export_json` gave, all or none of it; its runs are left. Raises InputError by unit and key."""
    try:
        rows = []
        for number, unit in enumerate(orjson.loads(content)["units"], 1):
            base = {name: unit.get(name) for name in OF_UNIT}
            for entry in unit.get("story") or [{}]:
                unknown = [
                    *(unit.keys() - {*OF_UNIT, "story", "runs"}),
                    *(entry.keys() - {*OF_ENTRY, "corrected_by"}),
                ]
                if unknown:
                    raise InputError(f"unit {number}: key {str(unknown[0])[:40]!r} is not known.")
                told = base | {k: v for k, v in entry.items() if k in OF_ENTRY}
                rows.append(
                    _checked({k: "" if v is None else str(v) for k, v in told.items()}, f"unit {number}")
                )
    except (orjson.JSONDecodeError, KeyError, TypeError, AttributeError) as exc:
        raise InputError(
            f'the file must hold {{"units": [{{"unit": "A-0417", "story": []}}]}} ({type(exc).__name__}: {exc}).'
        ) from exc
    return _take(journal, rows)


def _checked(row: Mapping[str, Any], where: str) -> dict[str, Any]:
    tag = plain_text(f"{where}, unit", row.get("unit") or "", 64)
    if not tag:
        raise InputError(f"{where}, unit: is empty; a tag has 1 to 64 characters.")
    out: dict[str, Any] = {"unit": tag}
    for name in (*LONGEST, "what", "work"):
        lines = name in ("complaint", "text")
        out[name] = plain_text(f"{where}, {name}", row.get(name) or "", LONGEST.get(name, 16), lines=lines)
    for name, known in (("what", WHATS), ("work", WORKS)):
        if out[name] and out[name] not in known:
            raise InputError(f"{where}, {name}: {out[name]!r} is none of {', '.join(known)}.")
    for name in NUMBERS:
        given = (row.get(name) or "").strip()
        try:
            out[name] = _moment(given) if name in MOMENTS else float(given) if given else None
            if isinstance(out[name], date):
                first, _ = day_span(out[name])
                out[name] = out[name] if name == "at" else first  # an entry's is placed among the day's runs
        except (ValueError, InputError) as exc:
            kind = (
                "neither UTC seconds nor a date such as 2026-03-02T14:30" if name in MOMENTS else "no number"
            )
            raise InputError(f"{where}, {name}: {given[:40]!r} is {kind}.") from exc
        value = out[name]
        if isinstance(value, float) and not 0 <= value < (1e11 if name in MOMENTS else 1e7):
            raise InputError(f"{where}, {name}: {given[:40]} must be a number from 0.")
    if out["what"] and out["at"] is None and out["corrects"] is None:
        raise InputError(f"{where}, at: when it was is missing.")
    return out


def _moment(given: str) -> float | date | None:
    """UTC seconds, or a day or moment as people write them."""
    try:
        return float(given)
    except ValueError:
        return when_given(given)


def _says(entry: StoryRow) -> tuple[object, ...]:
    return entry.text.split(), entry.part or "", entry.work or "", entry.minutes, entry.cost


def _says_row(row: Mapping[str, Any]) -> tuple[object, ...]:
    return row["text"].split(), row["part"] or "", row["work"] or "", row["minutes"], row["cost"]


def _take(journal: Journal, rows: list[dict[str, Any]]) -> Taken:
    """Write what is new, in one transaction; of a unit known here what is empty is filled, and nothing else changed.

    Numbers of entries are the file's own until they are written. An entry that stands twice in the file is two.
    """
    with journal.session() as session:
        units = entries = 0
        here: dict[tuple[str, float], int] = {}
        met: set[int] = set()
        for told in rows:
            tag = as_known(session, told["unit"])
            row = _with_what_stands(session, told | {"unit": tag}, here)
            known = session.get(UnitRow, tag)
            units += known is None
            kind, serial, complaint = (
                "" if getattr(known, name, "") else row[name] for name in ("kind", "serial", "complaint")
            )
            keep_unit(session, tag, kind, serial, complaint, row["taken_in"])
            if not row["what"]:
                continue
            number = next((one.id for one in _alike(session, row) if one.id not in met), None)
            if number is None:
                number = keep_entry(session, tag, _entry(row, here)).id
                entries += 1
            met.add(number)
            if row["number"] is not None:
                here[tag, row["number"]] = number
    return Taken(units, entries)


def _with_what_stands(
    session: Session, row: dict[str, Any], here: Mapping[tuple[str, float], int]
) -> dict[str, Any]:
    """A correction that does not say when it was written is a person's: what it leaves out is that of the entry it
    corrects, so that a second import knows it again.
    """
    old = session.get(StoryRow, here.get((row["unit"], row["corrects"]), 0))
    if old is None or row["written_at"] is not None:
        return row
    named = ("at", "text", "part", "work", "minutes", "cost")
    return row | {name: getattr(old, name) for name in named if row[name] in ("", None)}


def _alike(session: Session, row: Mapping[str, Any]) -> list[StoryRow]:
    """Entries that say what a row says, of its moment or, where it names a day alone, of that day."""
    at = row["at"]
    then = StoryRow.at == at
    if isinstance(at, date):
        first, end = day_span(at)
        then = sa.and_(StoryRow.at >= first, StoryRow.at < end)
    same = sa.select(StoryRow).where(StoryRow.unit == row["unit"], StoryRow.what == row["what"], then)
    return [one for one in session.scalars(same.order_by(StoryRow.id)) if _says(one) == _says_row(row)]


def _entry(row: Mapping[str, Any], here: Mapping[tuple[str, float], int]) -> NewEntry:
    corrects = here.get((row["unit"], row["corrects"]))
    if row["corrects"] is not None and corrects is None:
        raise InputError(
            f"unit {row['unit']}: the entry {row['corrects']:g} that is corrected does not stand before its correction."
        )
    return NewEntry(
        row["what"], row["text"], row["at"], row["part"] or None, row["work"] or None, row["minutes"], row["cost"], corrects=corrects,
        written_at=row["written_at"],
    )  # fmt: skip
