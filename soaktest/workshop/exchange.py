"""Units and stories as CSV and JSON, out and in again. Runs go along to be read; they travel as recordings."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final, NamedTuple

import orjson
import sqlalchemy as sa

from soaktest.errors import InputError, plain_text
from soaktest.journal import Journal
from soaktest.tables import StoryRow, UnitRow
from soaktest.workshop.stories import (
    WHATS,
    WORKS,
    NewEntry,
    entry_as_dict,
    keep_entry,
    keep_unit,
    list_units,
    story_of,
)

OF_UNIT: Final = ("unit", "kind", "serial", "complaint", "taken_in")
OF_ENTRY: Final = ("number", "corrects", "at", "what", "text", "part", "work", "minutes", "cost")
COLUMNS: Final = OF_UNIT + OF_ENTRY
LONGEST: Final = {"kind": 64, "serial": 128, "complaint": 2000, "text": 2000, "part": 64}
MOMENTS: Final = ("taken_in", "at")
NUMBERS: Final = ("taken_in", "at", "minutes", "cost", "number", "corrects")


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
            table.writerow(base | {k: v for k, v in entry.items() if k in OF_ENTRY})
    return out.getvalue()


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
            checked.append(_checked(row, f"row {number}"))
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
        except (ValueError, OverflowError) as exc:
            kind = (
                "neither UTC seconds nor a date such as 2026-03-02T14:30" if name in MOMENTS else "no number"
            )
            raise InputError(f"{where}, {name}: {given[:40]!r} is {kind}.") from exc
        if out[name] is not None and not 0 <= out[name] < (1e11 if name in MOMENTS else 1e7):
            raise InputError(f"{where}, {name}: {given[:40]} must be a number from 0.")
    if out["what"] and out["at"] is None:
        raise InputError(f"{where}, at: when it was is missing.")
    return out


def _moment(given: str) -> float | None:
    """UTC seconds, or an ISO 8601 date and time, local where it names no offset."""
    if not given:
        return None
    try:
        return float(given)
    except ValueError:
        return datetime.fromisoformat(given).timestamp()


def _says(entry: StoryRow) -> tuple[object, ...]:
    return entry.text.split(), entry.part or "", entry.work or "", entry.minutes, entry.cost


def _says_row(row: Mapping[str, Any]) -> tuple[object, ...]:
    return row["text"].split(), row["part"], row["work"], row["minutes"], row["cost"]


def _take(journal: Journal, rows: list[dict[str, Any]]) -> Taken:
    """Write what is new, in one transaction. Numbers of entries are the file's own until they are written."""
    with journal.session() as session:
        units = entries = 0
        here: dict[tuple[str, float], int] = {}
        for row in rows:
            tag = row["unit"]
            known = session.get(UnitRow, tag)
            units += known is None
            if known is None or any(
                row[name] not in ("", getattr(known, name)) for name in ("kind", "serial", "complaint")
            ):
                keep_unit(session, tag, row["kind"], row["serial"], row["complaint"], row["taken_in"])
            if not row["what"]:
                continue
            same = sa.select(StoryRow).where(
                StoryRow.unit == tag, StoryRow.at == row["at"], StoryRow.what == row["what"]
            )
            number = next(
                (known.id for known in session.scalars(same) if _says(known) == _says_row(row)), None
            )
            if number is None:
                corrects = None
                if row["corrects"] is not None:
                    corrects = here.get((tag, row["corrects"]))
                    if corrects is None:
                        raise InputError(
                            f"unit {tag}: the entry {row['corrects']:g} that is corrected does not stand before its correction."
                        )
                told = NewEntry(
                    row["what"], row["text"], row["at"], row["part"] or None, row["work"] or None, row["minutes"], row["cost"], corrects=corrects
                )  # fmt: skip
                number = keep_entry(session, tag, told).id
                entries += 1
            if row["number"] is not None:
                here[tag, row["number"]] = number
    return Taken(units, entries)
