"""Parts as a story names them: those of the machine's layout, so that a slip does not hide what was repaired."""

from __future__ import annotations

from difflib import get_close_matches
from typing import Final

import orjson
import sqlalchemy as sa
from sqlalchemy.orm import Session

from soaktest.errors import InputError
from soaktest.layouts import read_layout
from soaktest.tables import RunRow, UnitRow
from soaktest.toml_values import shipped_names

OTHER: Final = "other"
"""A part that no layout names."""


def parts_of_unit(session: Session, unit: UnitRow) -> tuple[set[str], str]:
    """Ids of the parts that a unit may have, and the layout to look them up in.

    Of the layouts that it was run under; else of that named like its kind; else of all that ship.
    """
    found: set[str] = set()
    look_in = ""
    for text in session.scalars(sa.select(RunRow.layout).where(RunRow.unit == unit.tag).order_by(RunRow.id)):
        layout = orjson.loads(text)
        found |= {part["id"] for part in layout.get("parts", [])}
        look_in = layout["name"]
    shipped = shipped_names("layouts")
    if not found:
        names = [unit.kind] if unit.kind in shipped else shipped
        found = {part.id for name in names for part in read_layout(name).parts}
        look_in = names[0]
    return found, look_in if look_in in shipped else shipped[0]


def refuse_unknown_part(session: Session, unit: UnitRow, part: str) -> None:
    """Raise InputError for a part that the machine does not have, with the one that was likely meant."""
    known, look_in = parts_of_unit(session, unit)
    if part in known or part == OTHER:
        return
    close = get_close_matches(part, sorted(known), 1) or sorted(one for one in known if part in one)[:1]
    meant = f"Did you mean {close[0]!r}? " if close else ""
    raise InputError(
        f"unit {unit.tag} has no part {part!r}. {meant}See: soaktest layouts {look_in}; or name the part {OTHER!r}."
    )
