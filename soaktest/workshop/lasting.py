"""How long repairs hold: time from a sale to the comeback, with those still away counted as such."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from soaktest.errors import NotEnough
from soaktest.journal import Journal
from soaktest.vocabulary import plural
from soaktest.workshop.stories import standing_entries

LEAST_UNITS, LEAST_COMEBACKS = 8, 3
"""Fewer sold units, or fewer comebacks, give no curve that means anything."""
DAY_S: Final = 86_400.0


@dataclass(frozen=True, slots=True)
class Away:
    """A sold unit: parts repaired on it before, each with the work done; days until it came back or until now, and whether it did."""

    repairs: tuple[tuple[str, str], ...]
    """Part and work, empty where they were not written down."""
    days: float
    back: bool


@dataclass(frozen=True, slots=True)
class Lasting:
    """How long sold units stay away: Kaplan-Meier with its 95 % interval, days since the sale."""

    of: str
    units: int
    comebacks: int
    days: list[float]
    held: list[float]
    low: list[float]
    high: list[float]


def times_to_comeback(journal: Journal, now: float | None = None) -> list[Away]:
    """Every sale that a story tells of, with the repairs since the sale before it."""
    at = time.time() if now is None else now
    with journal.session() as session:
        rows = standing_entries(session)
    out: list[Away] = []
    repairs: dict[str, list[tuple[str, str]]] = {}
    sold: dict[str, tuple[float, Away]] = {}

    def close(unit: str, until: float, *, back: bool) -> None:
        if unit in sold:
            since, repaired = sold.pop(unit)
            out.append(replace(repaired, days=(until - since) / DAY_S, back=back))

    for row in rows:
        if row.what == "repair":
            repairs.setdefault(row.unit, []).append((row.part or "", row.work or ""))
        elif row.what == "sold":
            close(row.unit, row.at, back=False)  # sold once more without a word of its return
            own = tuple(dict.fromkeys(repairs.pop(row.unit, [])))
            sold[row.unit] = row.at, Away(own, 0.0, back=False)
        elif row.what in ("came back", "taken in"):
            close(row.unit, row.at, back=row.what == "came back")
    for unit in [unit for unit, (since, _) in sold.items() if since <= at]:
        close(unit, at, back=False)
    return out


def how_long_repairs_hold(
    observed: Sequence[Away], part: str | None = None, work: str | None = None
) -> Lasting:
    """Kaplan-Meier estimate over all sales, or those after the repair of a part, a kind of work, or that work on that part.

    Raises:
        NotEnough: too few units or comebacks; says how many more are needed.
    """
    asked = part is not None or work is not None
    chosen = [
        one
        for one in observed
        if not asked or any(part in (None, on) and work in (None, done) for on, done in one.repairs)
    ]
    backs = sum(one.back for one in chosen)
    of = " ".join(filter(None, (part, work))) or "all repairs"
    sold, back = max(LEAST_UNITS - len(chosen), 0), max(LEAST_COMEBACKS - backs, 0)
    if sold or back:
        more = [f"{sold} more sold"] * bool(sold) + [plural(back, "more comeback")] * bool(back)
        raise NotEnough(
            f"{of}: {plural(len(chosen), 'sold unit')} and {plural(backs, 'comeback')} are too few for a curve that means anything. "
            f"Needed: {', '.join(more)}.",
            sold=sold,
            comebacks=back,
        )
    from lifelines import KaplanMeierFitter

    fitted = KaplanMeierFitter().fit([one.days for one in chosen], [one.back for one in chosen])
    interval = fitted.confidence_interval_
    return Lasting(
        of, len(chosen), backs, [float(x) for x in fitted.survival_function_.index],
        [float(x) for x in fitted.survival_function_.iloc[:, 0]], [float(x) for x in interval.iloc[:, 0]], [float(x) for x in interval.iloc[:, 1]],
    )  # fmt: skip
