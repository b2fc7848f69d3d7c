"""Days and moments as people write them, and where a day without an hour stands in a unit's story."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import sqlalchemy as sa
from sqlalchemy.orm import Session

from soaktest.errors import InputError
from soaktest.findings import kept_verdict
from soaktest.tables import RunRow, UnitRow


def when_given(given: str) -> float | date | None:
    """A moment (UTC seconds) or a day, such as 2026-11-25T14:30 or 2026-11-25; local where no offset is named.

    None for nothing. Raises InputError.
    """
    said = given.strip()
    if not said:
        return None
    try:
        return date.fromisoformat(said)
    except ValueError:
        pass
    try:
        return datetime.fromisoformat(said).timestamp()
    except (ValueError, OverflowError, OSError) as exc:
        raise InputError(
            f"{said[:40]!r} is neither a day such as 2026-11-25 nor a moment such as 2026-11-25T14:30."
        ) from exc


def day_span(day: date) -> tuple[float, float]:
    """A local day's first moment, and that of the next day (UTC seconds). Raises InputError."""
    try:
        first = datetime.combine(day, datetime.min.time())
        return first.timestamp(), (first + timedelta(days=1)).timestamp()
    except (ValueError, OverflowError, OSError) as exc:
        raise InputError(f"day: {day} is none that can be kept.") from exc


def on_day(session: Session, unit: UnitRow, what: str, day: date, now: float) -> float:
    """A moment (UTC seconds) for what is dated by its day alone, so that it stands among the day's runs as it happened.

    Today: now. Of an earlier day, a unit comes in (taken in, complaint, comeback) before anything is done with it, and is sold
    after everything; work lies between the day's last run that did not pass and the next one.
    """
    first, end = day_span(day)
    if first <= now < end:
        return now
    if what == "sold":
        return end - 1.0
    if what in ("taken in", "complaint", "came back"):
        return first
    ended = sa.select(RunRow).where(RunRow.unit == unit.tag, RunRow.ended >= first, RunRow.ended < end)
    short = [run.ended or first for run in session.scalars(ended) if kept_verdict(run.findings) != "pass"]
    return max(short, default=unit.taken_in if first <= unit.taken_in < end else first)
