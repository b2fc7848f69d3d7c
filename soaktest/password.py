"""The page's password: kept as an Argon2 hash (RFC 9106) in the data folder, or given by the environment."""

from __future__ import annotations

import os
import secrets
import threading
from collections.abc import Callable
from pathlib import Path

from soaktest.errors import InputError

SHORTEST = 8


def set_password(folder: Path, password: str) -> Path:
    """Keep a password's hash. Raises InputError where it is too short, or the file cannot be written."""
    from argon2 import PasswordHasher

    if len(password) < SHORTEST:
        raise InputError(f"the password needs at least {SHORTEST} characters.")
    where = folder / "password.argon2"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with os.fdopen(os.open(where, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as out:
            out.write(PasswordHasher().hash(password))
    except OSError as exc:
        raise InputError(
            f"{where}: cannot be written ({exc.strerror}). Check the folder's permissions."
        ) from exc
    return where


def password_check(folder: Path, given: str | None) -> Callable[[str], bool] | None:
    """How to tell the right password: ``given`` (of the environment) before the kept hash; None where neither is set."""
    if given:
        return lambda typed: secrets.compare_digest(typed.encode(), given.encode())
    where = folder / "password.argon2"
    if not where.exists():
        return None
    kept = where.read_text()
    one_at_a_time = threading.Lock()  # each check takes 64 MiB by design

    def check(typed: str) -> bool:
        from argon2 import PasswordHasher
        from argon2.exceptions import InvalidHashError, VerificationError

        try:
            with one_at_a_time:
                return PasswordHasher().verify(kept, typed)
        except (VerificationError, InvalidHashError):
            return False

    return check
