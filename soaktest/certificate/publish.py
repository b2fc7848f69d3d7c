"""The list of certificates as a static page, for a buyer who asks whether one still stands."""

from __future__ import annotations

import time
from pathlib import Path

import orjson

from soaktest.certificate.keys import key_set
from soaktest.certificate.register import list_certificates
from soaktest.certificate.statement import token_sha256
from soaktest.errors import InputError
from soaktest.journal import Journal
from soaktest.templates import fill, source


def write_list(journal: Journal, folder: Path) -> Path:
    """Write ``certificates.html`` and ``certificates.json``. Raises InputError where they cannot be written."""
    keys, made = key_set(journal)["keys"], time.strftime("%Y-%m-%d %H:%M")
    listed = list_certificates(journal)
    replaced = {row.supersedes for row, _ in listed}
    rows = [
        {
            "number": row.number,
            "unit": row.unit,
            "issued": time.strftime("%Y-%m-%d", time.localtime(row.issued_at)),
            "stands": not fallen,
            "as_of": made,
            "why": fallen,
            "replaced": row.number in replaced,
            "sha256": token_sha256(row.token),
        }
        for row, fallen in listed
    ]
    where = folder / "certificates.html"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        where.write_text(
            fill(
                "certificates.html",
                rows=rows,
                keys=keys,
                made=made,
                style=source("timeline.css"),
            ),
            "utf-8",
        )
        (folder / "certificates.json").write_bytes(
            orjson.dumps({"certificates": rows, "keys": keys}, option=orjson.OPT_INDENT_2)
        )
    except OSError as exc:
        raise InputError(f"{folder}: cannot be written ({exc.strerror}). Choose another folder.") from exc
    return where
