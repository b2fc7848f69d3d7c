"""Which certificates stand: neither taken back themselves, nor signed by a key that was."""

from __future__ import annotations

from base64 import urlsafe_b64decode
from collections.abc import Iterable
from typing import Final, NamedTuple

import orjson
import sqlalchemy as sa
from sqlalchemy.orm import Session

from soaktest.tables import CertificateRow, SigningKeyRow

KEY_REVOKED: Final = "the key that signed it was revoked"


class Standing(NamedTuple):
    """A certificate of the list; ``fallen`` says why it does not stand, empty where it does."""

    row: CertificateRow
    fallen: str


def standing_of(session: Session, rows: Iterable[CertificateRow]) -> list[Standing]:
    """Whether each of these certificates stands."""
    revoked = set(session.scalars(sa.select(SigningKeyRow.kid).where(SigningKeyRow.revoked_at.is_not(None))))

    def fallen(row: CertificateRow) -> str:
        if row.revoked_at is not None:
            return row.revoked_why
        return KEY_REVOKED if _signer_of(row.token) in revoked else ""

    return [Standing(row, fallen(row)) for row in rows]


def _signer_of(token: str) -> str:
    """Name of the key that signed an object of our own list, as its head says (RFC 7515)."""
    head = token.partition(".")[0]
    return str(orjson.loads(urlsafe_b64decode(head + "=" * (-len(head) % 4)))["kid"])
