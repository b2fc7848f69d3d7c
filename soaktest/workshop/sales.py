"""What speaks against how a unit stands: sold though its last test did not pass, or back while its certificate stands."""

from __future__ import annotations

import sqlalchemy as sa

from soaktest.findings import kept_verdict
from soaktest.journal import Journal
from soaktest.tables import CertificateRow, RunRow
from soaktest.workshop.standing import standing_of
from soaktest.workshop.stories import standing_entries, unit_of


def standing_doubt(journal: Journal, tag: str) -> str:
    """Why a unit should not stand as it does, in a sentence; empty where nothing speaks against it.

    It is said and not refused: it has happened, and the story tells what happened.
    """
    with journal.session() as session:
        tag = unit_of(session, tag).tag
        moves = [
            row for row in standing_entries(session) if row.unit == tag and row.what in ("sold", "came back")
        ]
        if not moves:
            return ""
        if moves[-1].what == "came back":
            before = (CertificateRow.unit == tag, CertificateRow.issued_at <= moves[-1].at)
            rows = session.scalars(sa.select(CertificateRow).where(*before).order_by(CertificateRow.number))
            numbers = [row.number for row, fallen in standing_of(session, rows) if not fallen]
            return _still_certified(tag, numbers[-1]) if numbers else ""
        judged = sa.select(RunRow).where(
            RunRow.unit == tag, RunRow.findings.is_not(None), RunRow.began <= moves[-1].at
        )
        last = session.scalar(judged.order_by(RunRow.began.desc(), RunRow.id.desc()).limit(1))
        certified = session.scalar(
            sa.select(CertificateRow.number).where(
                CertificateRow.unit == tag, CertificateRow.revoked_at.is_(None)
            )
        )
    verdict = kept_verdict(last.findings) if last else None
    if last is None or verdict == "pass" or certified is not None:
        return ""
    return (
        f"unit {tag} stands as sold, its last test (run {last.id}) is a {verdict} and no certificate stands: "
        "nothing shows that it is dry. Test it again."
    )


def _still_certified(tag: str, number: int) -> str:
    return (
        f"unit {tag} came back, and its certificate {number} stands: who reads it is told that the unit was leak-free. If it "
        f"leaks, revoke it (on the page of certificates, or: soaktest certificate revoke {number} --why TEXT)."
    )
