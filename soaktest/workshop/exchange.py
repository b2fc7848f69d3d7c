"""Units and stories as CSV and JSON, out and in again."""

from __future__ import annotations

import csv
import io
from typing import Any

import orjson

from soaktest.errors import InputError
from soaktest.journal import Journal
from soaktest.workshop.stories import (
    Entry,
    entry_as_dict,
    find_unit,
    list_units,
    story_of,
    take_in,
    write_entry,
)

COLUMNS = ("unit", "kind", "serial", "complaint", "at", "what", "text", "part", "minutes", "cost")
_WRITTEN = "number"


def export_json(journal: Journal) -> bytes:
    """All units with what people wrote of them; personal data stays here."""
    units = []
    for line in list_units(journal):
        own = [
            entry_as_dict(e)
            for e in story_of(journal, line.unit.tag)
            if e.number is not None and e.corrected_by is None
        ]
        for entry in own:
            entry.pop("personal", None)
            entry.pop(_WRITTEN)
        unit = line.unit
        units.append(
            {
                "unit": unit.tag,
                "kind": unit.kind,
                "serial": unit.serial,
                "complaint": unit.complaint,
                "taken_in": unit.taken_in,
                "story": own,
            }
        )
    return orjson.dumps({"units": units}, option=orjson.OPT_INDENT_2)


def export_csv(journal: Journal) -> str:
    """The same as a table, a row an entry; a unit without entries has one row."""
    out = io.StringIO()
    table = csv.DictWriter(out, COLUMNS)
    table.writeheader()
    for unit in orjson.loads(export_json(journal))["units"]:
        base = {name: unit[name] for name in ("unit", "kind", "serial", "complaint")}
        for entry in unit["story"] or [{}]:
            table.writerow(base | {k: v for k, v in entry.items() if k in COLUMNS})
    return out.getvalue()


def import_table(journal: Journal, text: str) -> tuple[int, int]:
    """Take in units and entries from CSV; returns how many of each are new. All of it is checked before any is written.

    Raises:
        InputError: a missing column, an unknown one, or a value that cannot be, by row and column.
    """
    rows = csv.DictReader(io.StringIO(text))
    header = rows.fieldnames or []
    unknown = [name for name in header if name not in COLUMNS]
    if "unit" not in header or unknown:
        raise InputError(
            f"row 1: columns must be among {', '.join(COLUMNS)}, with unit; found {', '.join(unknown) or 'no unit'}."
        )
    return _take(journal, [_checked(row, number) for number, row in enumerate(rows, 2)])


def import_json(journal: Journal, content: bytes) -> tuple[int, int]:
    """Take in what :func:`export_json` gave. Raises InputError by unit and key."""
    try:
        units: Any = orjson.loads(content)["units"]
        rows = []
        for number, unit in enumerate(units, 1):
            base = {name: str(unit.get(name, "")) for name in ("unit", "kind", "serial", "complaint")}
            for entry in unit.get("story") or [{}]:
                told = {k: "" if v is None else str(v) for k, v in entry.items() if k in COLUMNS}
                rows.append(_checked(base | told, number))
    except (orjson.JSONDecodeError, KeyError, TypeError, AttributeError) as exc:
        raise InputError(
            f'the file must hold {{"units": [{{"unit": "A-0417", "story": []}}]}} ({type(exc).__name__}: {exc}).'
        ) from exc
    return _take(journal, rows)


def _checked(row: dict[str, Any], number: int) -> dict[str, Any]:
    tag = (row.get("unit") or "").strip()
    if not 0 < len(tag) <= 64:
        raise InputError(f"row {number}, unit: {tag!r} must have 1 to 64 characters.")
    out: dict[str, Any] = {
        k: (row.get(k) or "").strip() for k in ("kind", "serial", "complaint", "what", "text", "part")
    } | {"unit": tag}
    from soaktest.workshop.stories import WHATS

    if out["what"] and out["what"] not in WHATS:
        raise InputError(f"row {number}, what: {out['what']!r} is none of {', '.join(WHATS)}.")
    for name in ("at", "minutes", "cost"):
        given = (row.get(name) or "").strip()
        try:
            out[name] = float(given) if given else None
        except ValueError as exc:
            raise InputError(f"row {number}, {name}: {given!r} is no number.") from exc
        if out[name] is not None and not 0 <= out[name] < 1e11:
            raise InputError(f"row {number}, {name}: {given} must be a number from 0.")
    if out["what"] and out["at"] is None:
        raise InputError(f"row {number}, at: when it was is missing (UTC seconds).")
    return out


def _take(journal: Journal, rows: list[dict[str, Any]]) -> tuple[int, int]:
    before = {line.unit.tag for line in list_units(journal)}
    written = 0
    for row in rows:
        take_in(journal, row["unit"], row["kind"], row["serial"], row["complaint"])
        if not row["what"]:
            continue
        entry = Entry(
            row["at"], row["what"], row["text"], None, row["part"] or None, row["minutes"], row["cost"]
        )
        known = {(e.at, e.what, e.text) for e in story_of(journal, find_unit(journal, row["unit"]).tag)}
        if (entry.at, entry.what, entry.text) not in known:
            write_entry(journal, row["unit"], entry)
            written += 1
    return len({row["unit"] for row in rows} - before), written
