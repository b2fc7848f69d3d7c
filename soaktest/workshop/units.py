"""The units of the workshop as a list: found by words, chosen by how they stand, sorted by column."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeVar, get_args

import sqlalchemy as sa

from soaktest.errors import InputError
from soaktest.findings import kept_name, kept_verdict
from soaktest.journal import Journal
from soaktest.tables import RunRow, UnitRow
from soaktest.workshop.stories import standing_entries

Show = Literal["all", "in hand", "sold", "came back", "passed", "failed", "to retest"]
SHOWS: Final[tuple[Show, ...]] = get_args(Show)
Sort = Literal["unit", "kind", "complaint", "runs", "verdict", "last", "where"]
SORTS: Final[tuple[Sort, ...]] = get_args(Sort)
LARGEST_FIRST: Final[tuple[Sort, ...]] = ("last", "runs")
Where = Literal["in hand", "sold", "came back"]
W = TypeVar("W", bound=str)


@dataclass(frozen=True, slots=True)
class UnitLine:
    """A unit in the list: what happened last, and how its last run ended."""

    unit: UnitRow
    runs: int
    last: str
    last_at: float
    verdict: str | None
    named: str
    """The name of that verdict, for people; empty where there is none."""
    where: Where
    """Where the machine is: what was sold and came back is in hand, and says so until it has passed a test again."""


def show_of(given: str) -> Show:
    """One of ``SHOWS``. Raises InputError."""
    return _one_of(SHOWS, given)


def sort_of(given: str) -> Sort:
    """One of ``SORTS``. Raises InputError."""
    return _one_of(SORTS, given)


def _one_of(known: tuple[W, ...], given: str) -> W:
    for one in known:
        if one == given:
            return one
    raise InputError(f"{given!r} is none of: {', '.join(known)}.")


def list_units(
    journal: Journal, find: str = "", show: Show = "all", sort: Sort = "last", *, turned: bool = False
) -> list[UnitLine]:
    """Units whose tag, serial, kind or complaint holds the words.

    Args:
        journal: the journal.
        find: words, all of which must be found.
        show: all, or those in hand, sold, come back, or passed or failed in their last judged run.
        sort: the column; what happened last and the most runs come first, all else in the order of the alphabet.
        turned: the other way round.
    """
    chosen = sa.select(UnitRow)
    for word in find.split():
        columns = (UnitRow.tag, UnitRow.serial, UnitRow.kind, UnitRow.complaint)
        chosen = chosen.where(sa.or_(*(column.icontains(word, autoescape=True) for column in columns)))
    with journal.session() as session:
        units = list(session.scalars(chosen))
        runs = list(session.scalars(sa.select(RunRow).where(RunRow.unit.is_not(None)).order_by(RunRow.began)))
        rows = standing_entries(session)
    by_unit: dict[str, list[RunRow]] = {}
    for run in runs:
        by_unit.setdefault(str(run.unit), []).append(run)
    last = {row.unit: row for row in rows}
    moved = {row.unit: (row.at, place) for row in rows if (place := _MOVES.get(row.what))}
    out = []
    for unit in units:
        own = by_unit.get(unit.tag, [])
        what, at = ("taken in", unit.taken_in)
        if unit.tag in last and last[unit.tag].at >= at:
            what, at = last[unit.tag].what, last[unit.tag].at
        if own and own[-1].began >= at:
            what, at = "run", own[-1].began
        tested = next((run for run in reversed(own) if run.findings), None)
        judged = tested.findings if tested else None
        moved_at, where = moved.get(unit.tag, (0.0, "in hand"))
        if where == "came back" and tested and tested.began > moved_at and kept_verdict(judged) == "pass":
            where = "in hand"
        out.append(
            UnitLine(
                unit,
                len(own),
                what,
                at,
                kept_verdict(judged),
                kept_name(judged),
                where,
            )
        )
    chosen_lines = [line for line in out if _shown(line, show)]
    return sorted(chosen_lines, key=_SORT_KEYS[sort], reverse=(sort in LARGEST_FIRST) != turned)


_MOVES: Final[dict[str, Where]] = {"sold": "sold", "came back": "came back"}
_SORT_KEYS: Final[dict[Sort, Callable[[UnitLine], Any]]] = {
    "unit": lambda line: line.unit.tag.casefold(),
    "kind": lambda line: line.unit.kind.casefold(),
    "complaint": lambda line: line.unit.complaint.casefold(),
    "runs": lambda line: line.runs,
    "verdict": lambda line: line.verdict or "",
    "last": lambda line: line.last_at,
    "where": lambda line: line.where,
}


def _shown(line: UnitLine, show: Show) -> bool:
    if show in ("sold", "came back"):
        return line.where == show
    if show == "in hand":
        return line.where != "sold"
    return show == "all" or line.verdict == {"passed": "pass", "failed": "fail", "to retest": "retest"}[show]
