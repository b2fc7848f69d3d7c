"""What confirmed repairs and comebacks teach: shares of leaks by part, how long repairs hold, what a wash is worth."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import orjson
import sqlalchemy as sa

from soaktest.errors import InputError
from soaktest.findings import kept_verdict
from soaktest.journal import Journal
from soaktest.layouts import Layout
from soaktest.tables import RunRow, StoryRow, UnitRow

PSEUDO_COUNTS: Final = 20.0
"""What the shipped shares weigh, in confirmed repairs: a workshop's own word counts half after twenty."""
LEAST_UNITS, LEAST_COMEBACKS = 8, 3
"""Fewer sold units, or fewer comebacks, give no curve that means anything."""
DAY_S: Final = 86_400.0


@dataclass(frozen=True, slots=True)
class Share:
    """A part's share of leaks: shipped, and with the workshop's confirmed repairs."""

    part: str
    name: str
    before: float
    after: float
    confirmed: int


def confirmed_causes(journal: Journal, layout: str) -> Counter[str]:
    """Parts that a repair named and that no later run of the unit contradicted by failing, by part id.

    Counts units whose runs were on ``layout`` (the kind of machine), each repair once; corrected entries do not count.
    """
    with journal.session() as session:
        rows = list(
            session.scalars(sa.select(StoryRow).where(StoryRow.what == "repair", StoryRow.part.is_not(None)))
        )
        corrected = set(session.scalars(sa.select(StoryRow.corrects).where(StoryRow.corrects.is_not(None))))
        runs = list(
            session.scalars(
                sa.select(RunRow)
                .where(RunRow.unit.is_not(None), RunRow.findings.is_not(None))
                .order_by(RunRow.began)
            )
        )
    out: Counter[str] = Counter()
    for row in rows:
        own = [run for run in runs if run.unit == row.unit]
        later = [kept_verdict(run.findings) for run in own if run.began >= row.at]
        same_kind = any(orjson.loads(run.layout)["name"] == layout for run in own)
        if row.id not in corrected and same_kind and later and later[0] == "pass":
            out[str(row.part)] += 1
    return out


def learned_shares(
    layout: Layout, confirmed: Mapping[str, int], pseudo_counts: float = PSEUDO_COUNTS
) -> list[Share]:
    """Posterior means of a Dirichlet over parts: (pseudo-counts x shipped share + confirmed) / sum.

    Source: the Dirichlet-multinomial, as in Gelman et al., Bayesian Data Analysis, section 3.4.
    """
    whole = sum(part.prior for part in layout.parts)
    known = {part.id: confirmed.get(part.id, 0) for part in layout.parts}
    total = pseudo_counts + sum(known.values())
    return [
        Share(
            part.id,
            part.name,
            part.prior / whole,
            (pseudo_counts * part.prior / whole + known[part.id]) / total,
            known[part.id],
        )
        for part in layout.parts
    ]


def priors_for(journal: Journal, layout: Layout) -> dict[str, float] | None:
    """Shares of leaks by part for that kind of machine; None while no repair is confirmed."""
    confirmed = confirmed_causes(journal, layout.name)
    return {share.part: share.after for share in learned_shares(layout, confirmed)} if confirmed else None


@dataclass(frozen=True, slots=True)
class Lasting:
    """How long sold units stay away: Kaplan-Meier with its 95 % interval, days since the sale."""

    part: str
    units: int
    comebacks: int
    days: list[float]
    held: list[float]
    low: list[float]
    high: list[float]


def times_to_comeback(journal: Journal, now: float | None = None) -> list[tuple[str, float, bool]]:
    """Last repaired part before each sale, days until it came back or until now, and whether it came back."""
    at = time.time() if now is None else now
    with journal.session() as session:
        rows = list(session.scalars(sa.select(StoryRow).order_by(StoryRow.at, StoryRow.id)))
        corrected = set(session.scalars(sa.select(StoryRow.corrects).where(StoryRow.corrects.is_not(None))))
    out: list[tuple[str, float, bool]] = []
    part: dict[str, str] = {}
    sold: dict[str, float] = {}
    for row in rows:
        if row.id in corrected:
            continue
        if row.what == "repair" and row.part:
            part[row.unit] = row.part
        elif row.what == "sold":
            sold[row.unit] = row.at
        elif row.what == "came back" and row.unit in sold:
            out.append((part.get(row.unit, "unknown"), (row.at - sold.pop(row.unit)) / DAY_S, True))
    out += [
        (part.get(unit, "unknown"), (at - since) / DAY_S, False)
        for unit, since in sold.items()
        if since <= at
    ]
    return out


def how_long_repairs_hold(observed: list[tuple[str, float, bool]], part: str | None = None) -> Lasting:
    """Kaplan-Meier estimate over all parts or one.

    Raises:
        InputError: too few units or comebacks; says how many more are needed.
    """
    chosen = [(days, back) for name, days, back in observed if part in (None, name)]
    backs = sum(back for _, back in chosen)
    if len(chosen) < LEAST_UNITS or backs < LEAST_COMEBACKS:
        raise InputError(
            f"{len(chosen)} sold units and {backs} comebacks are too few for a curve that means anything: at least "
            f"{LEAST_UNITS} and {LEAST_COMEBACKS} are needed, so {max(LEAST_UNITS - len(chosen), 0)} and {max(LEAST_COMEBACKS - backs, 0)} more."
        )
    from lifelines import KaplanMeierFitter

    fitted = KaplanMeierFitter().fit([days for days, _ in chosen], [back for _, back in chosen])
    interval = fitted.confidence_interval_
    return Lasting(
        part or "all parts", len(chosen), backs, [float(x) for x in fitted.survival_function_.index],
        [float(x) for x in fitted.survival_function_.iloc[:, 0]], [float(x) for x in interval.iloc[:, 0]], [float(x) for x in interval.iloc[:, 1]],
    )  # fmt: skip


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


@dataclass(frozen=True, slots=True)
class Figures:
    """The few figures of a small workshop, from its own records; None where nothing was written down."""

    units: int
    repairs: int
    minutes_a_repair: float | None
    cost_a_repair: float | None
    hours_to_verdict: float | None
    """From taking in to the first pass, median."""
    fixed_first_time: tuple[int, int]
    """Units whose first run after their first repair passed, of those that had one."""
    comebacks: int
    sold: int


def figures(journal: Journal) -> Figures:
    """Count and average what the stories and runs say; corrected entries do not count."""
    with journal.session() as session:
        units = list(session.scalars(sa.select(UnitRow)))
        rows = list(session.scalars(sa.select(StoryRow).order_by(StoryRow.at)))
        runs = list(
            session.scalars(
                sa.select(RunRow)
                .where(RunRow.unit.is_not(None), RunRow.findings.is_not(None))
                .order_by(RunRow.began)
            )
        )
    corrected = {row.corrects for row in rows if row.corrects is not None}
    rows = [row for row in rows if row.id not in corrected]
    repairs = [row for row in rows if row.what == "repair"]
    verdicts = [(str(run.unit), run.began, run.ended, kept_verdict(run.findings)) for run in runs]
    hours, fixed, tried = [], 0, 0
    for unit in units:
        passed = [
            ended for tag, _, ended, verdict in verdicts if tag == unit.tag and verdict == "pass" and ended
        ]
        if passed and passed[0] > unit.taken_in:
            hours.append((passed[0] - unit.taken_in) / 3600)
        first = next((row.at for row in repairs if row.unit == unit.tag), None)
        after = [
            v for tag, began, _, v in verdicts if tag == unit.tag and first is not None and began >= first
        ]
        tried += bool(after)
        fixed += bool(after) and after[0] == "pass"

    def mean(values: list[float | None]) -> float | None:
        known = [v for v in values if v is not None]
        return sum(known) / len(known) if known else None

    return Figures(
        len(units), len(repairs), mean([r.minutes for r in repairs]), mean([r.cost for r in repairs]),
        sorted(hours)[len(hours) // 2] if hours else None, (fixed, tried), sum(r.what == "came back" for r in rows), sum(r.what == "sold" for r in rows),
    )  # fmt: skip
