"""Keys that sign certificates: Ed25519, the private half in a file under a passphrase, the public half in the journal.

A key's name (``kid``) is its thumbprint (RFC 7638). Signatures are JWS (RFC 7515) with EdDSA (RFC 8037).
"""

from __future__ import annotations

import contextlib
import os
import time
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import orjson
import sqlalchemy as sa

from soaktest.errors import InputError
from soaktest.journal import Journal
from soaktest.tables import SigningKeyRow

ALGORITHM = "EdDSA"
SHORTEST_PASSPHRASE = 8


def make_key(journal: Journal, folder: Path, passphrase: str) -> str:
    """Make a key, and retire the one in use; returns its name.

    Raises:
        InputError: the passphrase is too short, or the file cannot be written.
    """
    from joserfc.jwk import OKPKey

    if len(passphrase) < SHORTEST_PASSPHRASE:
        raise InputError(f"the passphrase needs at least {SHORTEST_PASSPHRASE} characters.")
    key = OKPKey.generate_key("Ed25519")
    kid = str(key.thumbprint())
    where = folder / f"{kid}.pem"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with os.fdopen(os.open(where, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
            out.write(key.as_pem(private=True, password=passphrase))
    except OSError as exc:
        raise InputError(
            f"{where}: cannot be written ({exc.strerror}). Check the folder's permissions."
        ) from exc
    with journal.session() as session:
        now = time.time()
        session.execute(
            sa.update(SigningKeyRow).where(SigningKeyRow.retired_at.is_(None)).values(retired_at=now)
        )
        public = orjson.dumps(key.as_dict(private=False)).decode()
        session.add(SigningKeyRow(kid=kid, public_jwk=public, made_at=now, retired_at=None, revoked_at=None))
    return kid


def key_in_use(journal: Journal) -> SigningKeyRow:
    """The key that signs now. Raises InputError where there is none."""
    with journal.session() as session:
        rows = session.scalars(sa.select(SigningKeyRow).order_by(SigningKeyRow.made_at.desc()))
        found = next((row for row in rows if row.retired_at is None and row.revoked_at is None), None)
    if found is None:
        raise InputError("there is no key to sign with. Make one: soaktest key make")
    return found


def all_keys(journal: Journal) -> list[SigningKeyRow]:
    """Every key that ever signed, the newest first."""
    with journal.session() as session:
        return list(session.scalars(sa.select(SigningKeyRow).order_by(SigningKeyRow.made_at.desc())))


def revoke_key(journal: Journal, kid: str) -> None:
    """Take a key back, such as one that was copied: nothing it signed counts any more."""
    with journal.session() as session:
        row = session.get(SigningKeyRow, kid)
        if row is None:
            raise InputError(f"there is no key {kid!r}. See: soaktest key list")
        row.revoked_at = row.revoked_at or time.time()


def sign(content: bytes, folder: Path, kid: str, passphrase: str) -> str:
    """The compact signed object (JWS) of ``content``.

    Raises:
        InputError: the key's file is missing, or the passphrase is not its own.
    """
    from joserfc import jws
    from joserfc.jwk import OKPKey

    where = folder / f"{kid}.pem"
    try:
        pem = where.read_bytes()
    except OSError as exc:
        raise InputError(
            f"{where}: the key cannot be read ({exc.strerror}). Restore it, or make another."
        ) from exc
    try:
        key = OKPKey.import_key(pem, password=passphrase)
    except (ValueError, TypeError) as exc:
        raise InputError("that is not the key's passphrase.") from exc
    with _quietly():
        return str(
            jws.serialize_compact(
                {"alg": ALGORITHM, "kid": kid, "typ": "JOSE"}, content, key, algorithms=[ALGORITHM]
            )
        )


def opened(token: str, keys: dict[str, dict[str, Any]]) -> tuple[bytes, str]:
    """Content and key's name of a signed object whose signature holds.

    Raises:
        InputError: it is no signed object, the key is not known, or anything in it was changed.
    """
    from joserfc import jws
    from joserfc.errors import JoseError
    from joserfc.jwk import OKPKey

    try:
        kid = str(jws.extract_compact(token.encode()).headers()["kid"])
    except (JoseError, KeyError, ValueError, UnicodeError, TypeError) as exc:
        raise InputError(
            "this is no signed certificate: something else, or one that was cut off or changed."
        ) from exc
    if kid not in keys:
        raise InputError(
            f"signed by key {kid[:12]}…, which is not known here. Give the workshop's public key with --key."
        )
    try:
        with _quietly():
            got = jws.deserialize_compact(token, OKPKey.import_key(keys[kid]), algorithms=[ALGORITHM])
    except (JoseError, ValueError, UnicodeError, TypeError) as exc:
        raise InputError("the signature does not hold: something in it was changed.") from exc
    return bytes(got.payload), kid


def payload_of(token: str) -> bytes:
    """Content of a signed object of our own list; its signature is not looked at."""
    from joserfc import jws

    return bytes(jws.extract_compact(token.encode()).payload)


def public_keys(journal: Journal, *, revoked: bool = False) -> dict[str, dict[str, Any]]:
    """Public keys by name; those that were revoked only where they are asked for."""
    return {
        row.kid: orjson.loads(row.public_jwk)
        for row in all_keys(journal)
        if revoked or row.revoked_at is None
    }


def key_set(journal: Journal) -> dict[str, list[dict[str, Any]]]:
    """The same as a JSON Web Key Set (RFC 7517), for buyers."""
    return {"keys": [{"kid": kid, **told} for kid, told in public_keys(journal).items()]}


@contextlib.contextmanager
def _quietly() -> Iterator[None]:
    """RFC 9864 prefers the name Ed25519 for the same signature; readers of today know EdDSA."""
    from joserfc.errors import SecurityWarning

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SecurityWarning)
        yield
