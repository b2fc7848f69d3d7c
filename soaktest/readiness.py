"""Whether a bench is ready for a run: its pads heard, dry and whole."""

from __future__ import annotations

import time
from collections.abc import Mapping

import sqlalchemy as sa
from sqlalchemy.orm import Session

from soaktest.errors import InputError, RunError, Way
from soaktest.findings import Findings, kept_whole
from soaktest.journal import Journal, newest_descriptions
from soaktest.node_check import Said
from soaktest.records import pad_checks
from soaktest.tables import MessageRow, PadCheckRow, RunRow
from soaktest.timeline_style import PAD_WORDS
from soaktest.vocabulary import FAULTY, ZONES, Zone, listed
from soaktest.workshop.calibration import DAMP_FACTOR, NOT_DRY_S, reading

RECENT_S = 20.0
LEAD_FAULTS = {
    "open": "broken lead, it reads less than the resistor at its far end: mend it first",
    "short": "shorted, it conducts more than any water does: look for a bridge between its tracks first",
}


def doubts(journal: Journal, bench: str, now: float | None = None) -> list[str]:
    """What speaks against beginning a run on a bench: nobody has ever heard it, pads unsound at their last check, or wet
    or not heard just now.
    """
    at = time.time() if now is None else now
    checks = pad_checks(journal, bench, at)
    found = [f"{zone} pad: {row.fault}" for zone, row in checks.items() if row.fault]
    broken = _broken_in_last_run(journal, bench, checks)
    recent = sa.select(MessageRow).where(
        MessageRow.bench == bench,
        MessageRow.source == "",
        MessageRow.at >= at - RECENT_S,
        MessageRow.kind == "readings",
    )
    with journal.session() as session:
        unknown = _never_heard(session, bench)
        rows = [*newest_descriptions(session, bench), *session.scalars(recent.order_by(MessageRow.at))]
    found += unknown
    heard = [Said(row.at, f"soaktest/{bench}/{row.node}/{row.kind}", row.payload, False) for row in rows]
    silent: list[Zone] = []
    for zone in ZONES:
        try:
            siemens, lead = reading(heard, zone, at - RECENT_S)
        except InputError:
            silent.append(zone)
            continue
        if lead != "unproven":
            found.append(f"{zone} pad: {LEAD_FAULTS[lead]}")
            broken = [said for said in broken if not said.startswith(f"{zone} ")]
        elif siemens > max(NOT_DRY_S, DAMP_FACTOR * checks[zone].dry_siemens if zone in checks else 0.0):
            found.append(f"{zone} pad is not dry ({siemens * 1e6:.0f} µS): dry it first")
    found += broken
    if silent and not unknown:
        pads = f"{listed(silent)} {'pads are' if len(silent) > 1 else 'pad is'}"
        found.append(f"{pads} not heard just now: see to the node's supply and network first")
    return found


def pads_at_fault(findings: Findings) -> dict[Zone, str]:
    """Pads that a run found at fault, and what was wrong: what a check before the next run may clear."""
    return {zone: PAD_WORDS[pad.state] for zone, pad in findings.pads.items() if pad.state in FAULTY}


def unchecked_since(
    number: int, ended: float, at_fault: Mapping[Zone, str], checks: Mapping[Zone, PadCheckRow]
) -> list[str]:
    """Of the pads that a run found at fault, those that nobody has checked since it ended (UTC seconds), in words."""
    return [
        f"{zone} pad: {word} in run {number}, not checked since"
        for zone, word in at_fault.items()
        if zone not in checks or checks[zone].at < ended
    ]


def _broken_in_last_run(journal: Journal, bench: str, checks: Mapping[Zone, PadCheckRow]) -> list[str]:
    where = (
        RunRow.bench == bench,
        RunRow.source == "",
        RunRow.ended.is_not(None),
        RunRow.findings.is_not(None),
    )
    with journal.session() as session:
        run = session.scalar(sa.select(RunRow).where(*where).order_by(RunRow.id.desc()).limit(1))
    told = kept_whole(run.findings) if run else None
    if run is None or run.ended is None or told is None:
        return []
    return unchecked_since(run.id, run.ended, pads_at_fault(told), checks)


def _never_heard(session: Session, bench: str) -> list[str]:
    """A slip in a bench's name begins a run that hears nothing, while the machine washes on another."""
    live = MessageRow.source == ""
    if session.scalar(sa.select(MessageRow.id).where(MessageRow.bench == bench, live).limit(1)) is not None:
        return []
    others = session.scalars(sa.select(MessageRow.bench).where(live).distinct().order_by(MessageRow.bench))
    heard = listed(list(others))
    return [f"bench {bench} has never been heard, {f'only {heard}' if heard else 'nor has any other'}"]


def refuse_while_busy(session: Session, bench: str) -> None:
    """Raise RunError where a run is under way on a bench."""
    other = session.scalar(sa.select(RunRow).where(RunRow.bench == bench, RunRow.ended.is_(None)))
    if other is not None:
        raise RunError(
            f"bench {bench}: run {other.id} is under way. End it first",
            Way(f"run end {other.id}", "bench", bench),
        )


def refuse_unready(journal: Journal, bench: str, override: str | None) -> None:
    """Raise RunError where a run is under way there, InputError where something speaks against a new one, and no reason is
    given to begin it all the same.
    """
    with journal.session() as session:
        refuse_while_busy(session, bench)
    found = doubts(journal, bench)
    if found and not (override or "").strip():
        raise InputError(
            f"{found[0][:1].upper()}{'; '.join(found)[1:]}. Or give a reason to begin all the same; it lands on the certificate."
        )
