"""What speaks against a sale: the unit's last test did not pass, and no certificate stands."""

from __future__ import annotations

import sqlalchemy as sa

from soaktest.findings import kept_verdict
from soaktest.journal import Journal
from soaktest.tables import CertificateRow, RunRow
from soaktest.workshop.stories import standing_entries


def sale_doubt(journal: Journal, tag: str) -> str:
    """Why a unit that stands as sold should not be, in a sentence; empty where nothing speaks against it.

    It is said and not refused: the sale has happened, and the story tells what happened.
    """
    with journal.session() as session:
        moves = [
            row for row in standing_entries(session) if row.unit == tag and row.what in ("sold", "came back")
        ]
        if not moves or moves[-1].what != "sold":
            return ""
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
