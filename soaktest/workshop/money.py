"""The few figures of a small workshop, from its own records, and what one more wash before a sale is worth."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

import sqlalchemy as sa

from soaktest.errors import InputError
from soaktest.findings import kept_verdict
from soaktest.journal import Journal
from soaktest.tables import RunRow, StoryRow, UnitRow
from soaktest.workshop.lasting import times_to_comeback
from soaktest.workshop.stories import standing_entries

CONFIDENCE: Final = 0.95


@dataclass(frozen=True, slots=True)
class Middle:
    """A median with its 95 % interval; low and high are the least and the most where there are too few for one."""

    value: float
    low: float
    high: float
    of: int
    """How many were written down."""
    bounded: bool
    """Whether low and high are the interval."""


@dataclass(frozen=True, slots=True)
class Part:
    """So many of so many, with the 95 % interval of the share."""

    count: int
    of: int
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Figures:
    """Counts, medians and shares; None where nothing was written down. Money in the workshop's currency."""

    units: int
    repairs: int
    sold: int
    minutes_a_repair: Middle | None
    cost_a_repair: Middle | None
    price: Middle | None
    cost_to_price: Middle | None
    """Parts, and the work where an hour's cost is given, of all repairs of a unit over the price that it was sold for."""
    hours_to_pass: Middle | None
    """From taking in to the first pass."""
    bench_hours_a_verdict: float | None
    """Hours of all judged runs over the number that passed or failed."""
    fixed_first_time: Part | None
    """Units whose first verdict after their first repair was a pass, and that have not come back."""
    came_back: Part | None
    """Sales that ended with a comeback."""


def middle(values: Iterable[float | None]) -> Middle | None:
    """Median and its distribution-free interval from order statistics; from six values on there is one.

    Source: Conover, Practical Nonparametric Statistics, section 3.2 (scipy.stats.quantile_test).
    """
    known = sorted(v for v in values if v is not None)
    if not known:
        return None
    from statistics import median

    from scipy.stats import quantile_test

    interval: Any = quantile_test(known, p=0.5).confidence_interval(CONFIDENCE)
    bounded = isfinite(interval.low) and isfinite(interval.high)
    low, high = (float(interval.low), float(interval.high)) if bounded else (known[0], known[-1])
    return Middle(float(median(known)), low, high, len(known), bounded)


def part_of(count: int, of: int) -> Part | None:
    """A share with its Clopper-Pearson interval; None of none."""
    if not of:
        return None
    from scipy.stats import binomtest

    interval = binomtest(count, of).proportion_ci(CONFIDENCE)
    return Part(count, of, float(interval.low), float(interval.high))


def figures(journal: Journal, hour_cost: float | None = None) -> Figures:
    """Count what stories and runs say; corrected entries do not count.

    Args:
        journal: the journal.
        hour_cost: of an hour of work; with it, work is part of what a repair costs against the price.
    """
    with journal.session() as session:
        units = list(session.scalars(sa.select(UnitRow)))
        rows = standing_entries(session)
        judged = sa.select(RunRow).where(RunRow.findings.is_not(None), RunRow.ended.is_not(None))
        runs = list(session.scalars(judged.order_by(RunRow.began)))
    verdicts = [(run, kept_verdict(run.findings)) for run in runs]
    clear = [v for _, v in verdicts if v in ("pass", "fail")]
    repairs = [row for row in rows if row.what == "repair"]
    sales = [row for row in rows if row.what == "sold"]
    away = times_to_comeback(journal)
    hours, first = [], []
    for unit in units:
        own = [(run, v) for run, v in verdicts if run.unit == unit.tag and v in ("pass", "fail")]
        passed = next((run.ended for run, v in own if v == "pass"), None)
        if passed is not None and passed > unit.taken_in:
            hours.append((passed - unit.taken_in) / 3600)
        repaired = next((row.at for row in repairs if row.unit == unit.tag), None)
        back = any(
            row.unit == unit.tag and row.what == "came back" and row.at >= (repaired or 0) for row in rows
        )
        if repaired is not None and (after := [v for run, v in own if run.began >= repaired]):
            first.append(after[0] == "pass" and not back)
    return Figures(
        units=len(units),
        repairs=len(repairs),
        sold=len(sales),
        minutes_a_repair=middle(row.minutes for row in repairs),
        cost_a_repair=middle(row.cost for row in repairs),
        price=middle(row.cost for row in sales),
        cost_to_price=middle(_cost_to_price(repairs, sales, hour_cost)),
        hours_to_pass=middle(hours),
        bench_hours_a_verdict=sum((run.ended or 0) - run.began for run in runs) / 3600 / len(clear)
        if clear
        else None,
        fixed_first_time=part_of(sum(first), len(first)),
        came_back=part_of(sum(one.back for one in away), len(away)),
    )


def _cost_to_price(
    repairs: list[StoryRow], sales: list[StoryRow], hour_cost: float | None
) -> Iterable[float]:
    """Of each sale whose price, and every cost of the repairs since the sale before it, were written down."""
    for sale in sales:
        before = max(
            (row.at for row in sales if row.unit == sale.unit and row.at < sale.at), default=float("-inf")
        )
        own = [row for row in repairs if row.unit == sale.unit and before < row.at <= sale.at]
        costs = [row.cost for row in own if row.cost is not None]
        minutes = [row.minutes for row in own if row.minutes is not None]
        if not sale.cost or not own or len(costs) < len(own) or (hour_cost and len(minutes) < len(own)):
            continue
        yield (sum(costs) + sum(minutes) / 60 * (hour_cost or 0.0)) / sale.cost


@dataclass(frozen=True, slots=True)
class WashWorth:
    """What one more leak-free wash before sale is expected to save, per machine, in the workshop's currency."""

    washes: int
    chance_now: float
    chance_after: float
    saves: float
    costs: float

    @property
    def worth_it(self) -> bool:
        """Whether it saves more than it costs."""
        return self.saves > self.costs


def worth_of_a_wash(
    washes: int, wash_cost: float, comeback_cost: float, leaky: float = 0.1, per_wash: float = 0.3
) -> WashWorth:
    """Expected saving of one more wash, ``washes`` having passed.

    A share ``leaky`` of repaired units still leaks, and such a unit shows it in a wash with chance ``per_wash``;
    a further wash catches that share of those that have slipped through so far.

    Raises:
        InputError: a cost below nought, or a share outside 0 to 1.
    """
    if wash_cost < 0 or comeback_cost < 0 or washes < 0:
        raise InputError("costs and washes must be numbers from 0.")
    if not (0 < leaky < 1 and 0 < per_wash < 1):
        raise InputError("shares must lie between 0 and 1.")

    now, after = slipped_through(washes, leaky, per_wash), slipped_through(washes + 1, leaky, per_wash)
    caught = now * per_wash
    return WashWorth(washes, now, after, caught * comeback_cost, wash_cost)


def slipped_through(washes: int, leaky: float, per_wash: float) -> float:
    """Chance that a unit still leaks after so many clean washes (Bayes)."""
    left = leaky * (1 - per_wash) ** washes
    return left / (left + 1 - leaky)


def washes_worth_running(
    wash_cost: float, comeback_cost: float, leaky: float = 0.1, per_wash: float = 0.3
) -> int:
    """Leak-free washes after which one more costs more than it saves."""
    n = 0
    while n < 1000 and worth_of_a_wash(n, wash_cost, comeback_cost, leaky, per_wash).worth_it:
        n += 1
    return n
