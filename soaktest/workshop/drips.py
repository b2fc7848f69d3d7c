"""The drip challenge: known drops on a bench's pads, seen or not, and what the bench shows with 90 % probability.

Hit/miss data, a logistic curve over the log of the amount; a90 and its 95 % bound by the likelihood
ratio, as MIL-HDBK-1823A (2009, appendix G) recommends for such data.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import orjson
import sqlalchemy as sa
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize_scalar
from scipy.stats import chi2

from soaktest.analysis.pads import read_pads
from soaktest.analysis.signals import gather
from soaktest.errors import InputError, NotEnough
from soaktest.journal import Journal
from soaktest.node_check import Said
from soaktest.recording import Header, Message, Recording
from soaktest.tables import DripRow, RunRow
from soaktest.vocabulary import ZONES, Zone, plural
from soaktest.wire import bench_name

DROPS_PER_ML: Final = 20
ONSET_SLACK_S: Final = 3.0
"""A drop falls a little before its key is pressed."""
TRIES_COUNT_S: Final = 365 * 86_400.0
"""A try speaks for its bench so long: pads wear and corrode."""
LEAST_TRIES: Final = 20
ALL_SEEN: Final = 29
"""Tries that must all be seen to show 90 % with 95 % confidence."""
TARGET: Final = float(np.log(9.0))
"""Log odds of 90 %."""
SCHEME: Final = ((1, 3), (2, 3), (4, 3), (10, 2))
"""Drops, and how often, on each pad: about a quarter of an hour for a bench."""


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """Millilitres seen with 90 % probability, and with 95 % confidence on top; ``tries`` behind it."""

    a90: float
    a90_95: float
    tries: int
    seen: int
    all_seen: bool
    """Every try was seen: both amounts are that of the ``ALL_SEEN``-th smallest try, and no curve was fitted."""
    last: float = 0.0
    """When a drop last fell (UTC seconds)."""


def keep_drip(
    journal: Journal, bench: str, zone: str, ml: float, *, seen: bool, at: float | None = None
) -> None:
    """Write down one try. Raises InputError for what is no bench's name or pad, or an amount that no dropper gives."""
    bench_name(bench)
    if zone not in ZONES:
        raise InputError(f"{zone!r} is none of {', '.join(ZONES)}.")
    if not 0 < ml <= 100:
        raise InputError(f"{ml} ml must be more than 0 and at most 100.")
    with journal.session() as session:
        session.add(DripRow(bench=bench, zone=zone, ml=ml, seen=seen, at=time.time() if at is None else at))


def bench_sensitivity(journal: Journal, bench: str, before: float | None = None) -> Sensitivity:
    """What a bench's tries of the ``TRIES_COUNT_S`` before a moment (UTC seconds; now by default) say.

    Raises:
        NotEnough: they are too few, or none or nearly none was seen.
    """
    at = time.time() if before is None else before
    counted = sa.select(DripRow).where(DripRow.bench == bench, DripRow.at.between(at - TRIES_COUNT_S, at))
    with journal.session() as session:
        rows = list(session.scalars(counted))
    found = sensitivity(np.array([row.ml for row in rows]), np.array([row.seen for row in rows], dtype=bool))
    return replace(found, last=max(row.at for row in rows))


def seen_since(messages: Sequence[Said], bench: str, zone: Zone, since: float, until: float) -> bool:
    """Whether the analysis finds water on a pad that came after a moment (UTC seconds)."""
    if not messages:
        return False
    header = Header(bench=bench, began=min(messages[0].at, since), ended=until)
    heard = Recording(header, [Message(said.at, said.topic, said.payload) for said in messages])
    return any(event.onset >= since - ONSET_SLACK_S for event in read_pads(gather(heard))[zone].events)


def benches_tried(journal: Journal) -> dict[str, tuple[int, int]]:
    """Benches that were ever challenged: tries that count today, and how many of them were seen."""
    counts = DripRow.at >= time.time() - TRIES_COUNT_S
    tries = sa.func.count(sa.case((counts, 1)))
    seen = sa.func.count(sa.case((sa.and_(counts, DripRow.seen), 1)))
    tally = sa.select(DripRow.bench, tries, seen).group_by(DripRow.bench).order_by(DripRow.bench)
    with journal.session() as session:
        return {bench: (of, shown) for bench, of, shown in session.execute(tally)}


def promised(journal: Journal, bench: str) -> tuple[int, float | None] | None:
    """A bench's last judged run, and the millilitres that it was judged to show with 90 % probability, for comparison.

    None of a bench without such a run; no amount where the run could not say.
    """
    judged = sa.select(RunRow.id, RunRow.findings).where(
        RunRow.bench == bench, RunRow.findings.is_not(None), RunRow.ended.is_not(None)
    )
    with journal.session() as session:
        row = session.execute(judged.order_by(RunRow.id.desc()).limit(1)).first()
    return row and (row.id, orjson.loads(row.findings)["assurance"]["smallest_seen_ml_90"])


def sensitivity(ml: NDArray[np.float64], seen: NDArray[np.bool_]) -> Sensitivity:
    """a90 and a90/95 of hit/miss data.

    Args:
        ml: amounts, shape (tries,).
        seen: shape (tries,).

    Raises:
        NotEnough: fewer than ``LEAST_TRIES``; none seen; all seen, but fewer than ``ALL_SEEN``; larger amounts seen less often.
    """
    if len(ml) < LEAST_TRIES:
        raise NotEnough(
            f"{plural(len(ml), 'try')}: too few, {LEAST_TRIES} are needed, so {LEAST_TRIES - len(ml)} more. See: soaktest drip plan",
            tries=LEAST_TRIES - len(ml),
        )
    if seen.all():
        if len(ml) < ALL_SEEN:  # n of n seen bound the chance from below: 0.9^29 = 0.047
            raise NotEnough(
                f"all {len(ml)} tries were seen: {ALL_SEEN} would show 90 % with 95 % confidence, so {ALL_SEEN - len(ml)} more, the smallest drops first.",
                tries=ALL_SEEN - len(ml),
            )
        enough = float(np.sort(ml)[ALL_SEEN - 1])  # seen in so many tries of this much or less
        return Sensitivity(enough, enough, len(ml), int(seen.sum()), all_seen=True)
    if not seen.any():
        raise NotEnough("no drop was seen: check the pads and their node first.")
    x = np.log(ml)
    if x[seen].min() > x[~seen].max():
        # no curve is better than a step between the two: its edge is bounded all the same, by the likelihood ratio
        at = float(x[seen].min())
        return Sensitivity(
            float(np.exp(at)),
            float(np.exp(_bound(x, seen, at, 0.0))),
            len(ml),
            int(seen.sum()),
            all_seen=False,
        )
    beta, _ = fit_logistic(x, seen)
    if beta[1] <= 0:
        raise NotEnough(
            "larger amounts were not seen more often than small ones: check the pads, and try again."
        )
    at = (TARGET - beta[0]) / beta[1]
    if at > x.max():
        raise NotEnough(
            f"even {ml.max():g} ml is seen less often than nine times in ten: add larger amounts."
        )
    return Sensitivity(
        float(np.exp(at)),
        float(np.exp(_bound(x, seen, at, _log_likelihood(x, seen, beta)))),
        len(ml),
        int(seen.sum()),
        all_seen=False,
    )


def _log_likelihood(x: NDArray[np.float64], hit: NDArray[np.bool_], beta: NDArray[np.float64]) -> float:
    margin = (beta[0] + beta[1] * x) * np.where(hit, 1.0, -1.0)
    return float(-np.logaddexp(0.0, -margin).sum())


def _bound(x: NDArray[np.float64], hit: NDArray[np.bool_], at: float, best: float) -> float:
    """Log amount above ``at`` whose profile likelihood falls by the one-sided 95 % of the ratio."""
    spread = float(x.std())

    def short(where: float) -> float:
        def loss(slope: float) -> float:
            return -_log_likelihood(x, hit, np.array([TARGET - slope * where, slope]))

        found = minimize_scalar(
            loss, bounds=(1e-3 / spread, 60.0 / spread), method="bounded", options={"xatol": 1e-6}
        )
        return 2.0 * (best + float(found.fun)) - float(chi2.ppf(0.90, 1))

    far = at + 12.0 * spread
    if short(at) >= 0:
        return at
    if short(far) < 0:
        raise NotEnough("the tries bound nothing: add more, with amounts that are nearly always seen.")
    return float(brentq(short, at, far))


def fit_logistic(
    x: NDArray[np.float64], hit: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Intercept and slope of a logistic curve by maximum likelihood, and their covariance.

    Raises:
        NotEnough: all tries were of one amount.
    """
    if x.min() == x.max():
        raise NotEnough("all tries were of one amount: add smaller and larger ones.")
    middle, spread = float(x.mean()), float(x.std())  # Newton's steps are even only about the middle
    design = np.column_stack([np.ones(len(x)), (x - middle) / spread])
    beta: NDArray[np.float64] = np.zeros(2)
    for _ in range(60):
        p = 1 / (1 + np.exp(-np.clip(design @ beta, -30, 30)))
        information = (design * (p * (1 - p))[:, None]).T @ design
        step = np.linalg.solve(information + 1e-10 * np.eye(2), design.T @ (hit - p))
        beta = beta + np.clip(step, -5, 5)
        if np.abs(step).max() < 1e-10:
            break
    back = np.array([[1.0, -middle / spread], [0.0, 1 / spread]])
    return back @ beta, back @ np.linalg.inv(information) @ back.T
