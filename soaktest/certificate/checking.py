"""A certificate looked at: its signature, key and content, whether the workshop took it back, and what a recording says against it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import orjson
from pydantic import ValidationError

from soaktest.analysis.analyse import Analysis
from soaktest.certificate.keys import opened
from soaktest.certificate.statement import Statement
from soaktest.errors import InputError
from soaktest.journal import Journal
from soaktest.tables import CertificateRow


@dataclass(frozen=True, slots=True)
class Checked:
    """A certificate that was looked at; ``faults`` is empty where it holds."""

    statement: Statement | None
    kid: str
    faults: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def check(
    token: str,
    keys: dict[str, dict[str, Any]],
    journal: Journal | None = None,
    published: Sequence[Mapping[str, Any]] | None = None,
) -> Checked:
    """Look at a signed object: signature, key, content, and whether the workshop has taken it back.

    Args:
        token: the signed object.
        keys: public keys by name.
        journal: the workshop's own, where it is at hand.
        published: else the list that the workshop published, as ``certificates.json`` holds it.
    """
    try:
        content, kid = opened(token.strip(), keys)
    except InputError as exc:
        return Checked(None, "", [str(exc)])
    try:
        statement = Statement.model_validate(orjson.loads(content))
    except (ValidationError, orjson.JSONDecodeError) as exc:
        return Checked(
            None,
            kid,
            [f"the signature holds, but the content is no certificate of this kind ({type(exc).__name__})."],
        )
    if journal is None and published is not None:
        return Checked(statement, kid, *_published(statement, published))
    if journal is None:
        return Checked(
            statement,
            kid,
            [],
            ["The workshop's list was not at hand: whether it was revoked cannot be said."],
        )
    with journal.session() as session:
        row = session.get(CertificateRow, statement.number)
    if row is None:
        return Checked(statement, kid, [f"the workshop's list does not hold certificate {statement.number}."])
    faults = []
    if row.token != token.strip():
        faults.append(f"the list holds another certificate {statement.number}.")
    if row.revoked_at is not None:
        faults.append(f"revoked: {row.revoked_why}.")
    return Checked(statement, kid, faults)


def _published(statement: Statement, published: Sequence[Mapping[str, Any]]) -> tuple[list[str], list[str]]:
    entry = next((row for row in published if row.get("number") == statement.number), None)
    if entry is None:
        return [f"the published list does not hold certificate {statement.number}; ask for a newer list."], []
    if entry.get("stands") is not True:
        return [f"revoked: {entry.get('why') or 'no reason given'}."], []
    return [], ["By the list published, it stands."]


def check_against(checked: Checked, analysis: Analysis, digest: str) -> tuple[list[str], list[str]]:
    """Faults and notes: what differs between a certificate and the recording it rests on, judged again."""
    said, findings = checked.statement, analysis.findings
    if said is None:
        return [], []
    faults, notes = [], []
    if digest != said.recording_sha256:
        faults.append("the recording is not the one that was certified (its SHA-256 differs).")
    verdict = findings.verdict
    if verdict == "retest" and {reason.code for reason in findings.reasons} <= {"pad-unproven"}:
        verdict = "pass"
        notes.append(
            "From the recording alone a pad is not proven whole; the workshop had checked it before the run."
        )
    for name, theirs, ours in (
        ("verdict", "pass", verdict), ("washes", said.washes, findings.washes), ("wet events", said.wet_events, len(findings.wet_events)),
    ):  # fmt: skip
        if theirs != ours:
            faults.append(f"judged again, {name} is {ours}, not {theirs}.")
    return faults, notes
