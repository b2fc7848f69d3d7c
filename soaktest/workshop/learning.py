"""What confirmed repairs and comebacks teach of causes: shares of leaks by part, for each kind of machine."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import orjson
import sqlalchemy as sa

from soaktest.findings import kept_verdict
from soaktest.journal import Journal
from soaktest.layouts import Layout
from soaktest.tables import RunRow, StoryRow
from soaktest.workshop.stories import standing_entries

PSEUDO_COUNTS: Final = 20.0
"""What the shipped shares weigh, in confirmed repairs: a workshop's own word counts half after twenty."""
DISPROVED_WITHIN_S: Final = 90 * 86_400.0
"""A unit that leaks again so soon, from another part or from none that was named, puts its repair in doubt."""
HOW_CONFIRMED: Final = (
    "A cause is confirmed once the run after its repair passes, or by a comeback that names its part. Within 90 days a run "
    "that fails, or a comeback that names another part or none, withdraws a repair's confirmation. The shipped shares weigh as "
    "twenty repairs."
)


@dataclass(frozen=True, slots=True)
class Share:
    """A part's share of leaks: shipped, and with the workshop's confirmed causes."""

    part: str
    name: str
    before: float
    after: float
    confirmed: float


def confirmed_causes(
    journal: Journal, layout: str, before: float | None = None, written_by: float | None = None
) -> dict[str, float]:
    """Leaks whose cause is known, by part id.

    A leak's cause is the part that was repaired before a run that passed; where several were, each counts
    its share. A unit that comes back names its cause itself. If within ``DISPROVED_WITHIN_S`` of that pass a run fails, or
    the unit comes back for another part or for none that was named, the repair no longer counts; later, it is another leak.

    Args:
        journal: the journal.
        layout: counts units that were run under it (the kind of machine).
        before: what had happened by a moment, UTC seconds; all of it by default.
        written_by: what was written by a moment, UTC seconds; all of it by default.
    """
    with journal.session() as session:
        rows = standing_entries(session, before, written_by)
        judged = sa.select(RunRow).where(
            RunRow.unit.is_not(None), RunRow.findings.is_not(None), RunRow.ended.is_not(None)
        )
        if before is not None:
            judged = judged.where(RunRow.ended <= before)
        if written_by is not None:
            judged = judged.where(RunRow.judged_at <= written_by)
        runs = list(session.scalars(judged.order_by(RunRow.began)))
    out: Counter[str] = Counter()
    for unit in {run.unit for run in runs if orjson.loads(run.layout)["name"] == layout}:
        causes = causes_of(
            [row for row in rows if row.unit == unit], [run for run in runs if run.unit == unit]
        )
        for part, count in causes.items():
            out[part] += count  # type: ignore[assignment]
    return dict(out)


def causes_of(rows: Sequence[StoryRow], runs: Sequence[RunRow]) -> dict[str, float]:
    """Confirmed causes of one unit's leaks, from its standing entries and its judged runs, both in order of time."""
    out: Counter[str] = Counter()
    tried: list[str] = []  # repaired since the last verdict
    held: tuple[str, ...] = ()  # repaired before the pass that this leak's story ended with
    held_at = 0.0
    named: tuple[str, ...] = ()  # by the comeback that this leak's story began with
    moments: list[tuple[float, StoryRow | RunRow]] = [(r.at, r) for r in rows] + [(r.began, r) for r in runs]

    def count(parts: tuple[str, ...]) -> None:
        for part in parts:
            out[part] += 1 / len(parts)  # type: ignore[assignment]

    for at, moment in sorted(moments, key=lambda one: one[0]):
        what = kept_verdict(moment.findings) if isinstance(moment, RunRow) else moment.what
        part = None if isinstance(moment, RunRow) else moment.part
        if what == "pass" and tried:
            held, held_at = tuple(dict.fromkeys(tried)), at
        if what == "came back" or (what == "fail" and held):  # it leaks again
            if not held or part in held or at - held_at > DISPROVED_WITHIN_S:
                count(held or named)
            held, named = (), (part,) if part else ()
        if what in ("pass", "fail", "came back"):
            tried = []
        elif what == "repair" and part:
            tried.append(part)
    count(held or named)
    return dict(out)


def learned_shares(
    layout: Layout, confirmed: Mapping[str, float], pseudo_counts: float = PSEUDO_COUNTS
) -> list[Share]:
    """Posterior means of a Dirichlet over parts: (pseudo-counts x shipped share + confirmed) / sum.

    Source: the Dirichlet-multinomial, as in Gelman et al., Bayesian Data Analysis, section 3.4.
    """
    whole = sum(part.prior for part in layout.parts)
    known = {part.id: confirmed.get(part.id, 0.0) for part in layout.parts}
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


def priors_for(
    journal: Journal, layout: Layout, before: float | None = None, written_by: float | None = None
) -> dict[str, float] | None:
    """Shares of leaks by part for that kind of machine, as of that moment; None while no cause is confirmed."""
    confirmed = confirmed_causes(journal, layout.name, before, written_by)
    return {share.part: share.after for share in learned_shares(layout, confirmed)} if confirmed else None
