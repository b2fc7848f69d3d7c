"""How long repairs hold: time from a sale to the comeback, with those still away counted as such."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from soaktest.errors import InputError
from soaktest.journal import Journal
from soaktest.workshop.stories import standing_entries

LEAST_UNITS, LEAST_COMEBACKS = 8, 3
"""Fewer sold units, or fewer comebacks, give no curve that means anything."""
DAY_S: Final = 86_400.0


@dataclass(frozen=True, slots=True)
class Away:
    """A sold unit: what was repaired on it before, days until it came back or until now, and whether it did."""

    parts: tuple[str, ...]
    works: tuple[str, ...]
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
    """Every sale that a story tells of, with the repairs since the unit was taken in or came back."""
    at = time.time() if now is None else now
    with journal.session() as session:
        rows = standing_entries(session)
    out: list[Away] = []
    repairs: dict[str, list[tuple[str, str]]] = {}
    sold: dict[str, float] = {}

    def away(unit: str, until: float, *, back: bool) -> Away:
        own = repairs.pop(unit, []) if back else repairs.get(unit, [])
        parts, works = (
            (tuple(dict.fromkeys(filter(None, names))) for names in zip(*own, strict=True))
            if own
            else ((), ())
        )
        return Away(parts, works, (until - sold[unit]) / DAY_S, back)

    for row in rows:
        if row.what == "repair":
            repairs.setdefault(row.unit, []).append((row.part or "", row.work or ""))
        elif row.what == "sold":
            sold[row.unit] = row.at
        elif row.what == "came back" and row.unit in sold:
            out.append(away(row.unit, row.at, back=True))
            del sold[row.unit]
    return out + [away(unit, at, back=False) for unit, since in sold.items() if since <= at]


def how_long_repairs_hold(
    observed: Sequence[Away], part: str | None = None, work: str | None = None
) -> Lasting:
    """Kaplan-Meier estimate over all sales, or those after the repair of a part, a kind of work, or both.

    Raises:
        InputError: too few units or comebacks; says how many more are needed.
    """
    chosen = [one for one in observed if part in (None, *one.parts) and work in (None, *one.works)]
    backs = sum(one.back for one in chosen)
    of = " ".join(filter(None, (part, work))) or "all repairs"
    if len(chosen) < LEAST_UNITS or backs < LEAST_COMEBACKS:
        raise InputError(
            f"{of}: {len(chosen)} sold units and {backs} comebacks are too few for a curve that means anything: at least "
            f"{LEAST_UNITS} and {LEAST_COMEBACKS} are needed, so {max(LEAST_UNITS - len(chosen), 0)} and {max(LEAST_COMEBACKS - backs, 0)} more."
        )
    from lifelines import KaplanMeierFitter

    fitted = KaplanMeierFitter().fit([one.days for one in chosen], [one.back for one in chosen])
    interval = fitted.confidence_interval_
    return Lasting(
        of, len(chosen), backs, [float(x) for x in fitted.survival_function_.index],
        [float(x) for x in fitted.survival_function_.iloc[:, 0]], [float(x) for x in interval.iloc[:, 0]], [float(x) for x in interval.iloc[:, 1]],
    )  # fmt: skip
