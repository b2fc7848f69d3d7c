"""A certificate looked at: its signature, key and content, whether the workshop took it back, and what a recording says against it."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import orjson
from pydantic import ValidationError

from soaktest.analysis.analyse import Analysis, Knowledge
from soaktest.analysis.events import PadCheck
from soaktest.certificate.keys import opened, public_keys
from soaktest.certificate.statement import Statement, token_sha256
from soaktest.errors import InputError
from soaktest.journal import Journal
from soaktest.tables import CertificateRow, SigningKeyRow
from soaktest.workshop.standing import KEY_REVOKED


@dataclass(frozen=True, slots=True)
class Checked:
    """A certificate that was looked at; ``faults`` is empty where it holds."""

    statement: Statement | None
    kid: str
    faults: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def check(
    token: str,
    keys: Mapping[str, dict[str, Any]],
    journal: Journal | None = None,
    published: Mapping[str, Sequence[Mapping[str, Any]]] | None = None,
) -> Checked:
    """Look at a signed object: signature, key, content, and whether the workshop has taken it back.

    Args:
        token: the signed object.
        keys: public keys by name.
        journal: the workshop's own, where it is at hand; its keys count too, and it knows which were revoked.
        published: else the lists that workshops published, as ``certificates.json`` holds them, by the name of
            each key that they brought: numbers are a workshop's own, and another's list says nothing of them.
    """
    token = token.strip()
    try:
        content, kid = opened(token, {**keys, **(public_keys(journal, revoked=True) if journal else {})})
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
    if journal is not None:
        return Checked(statement, kid, _kept(journal, statement.number, token, kid))
    if published is not None and kid in published:
        return Checked(statement, kid, *_published(statement.number, token, published[kid]))
    return Checked(
        statement,
        kid,
        [],
        ["The workshop's list was not at hand: whether it was revoked cannot be said."],
    )


def _kept(journal: Journal, number: int, token: str, kid: str) -> list[str]:
    """What the workshop's own journal says against a certificate."""
    with journal.session() as session:
        row, signer = session.get(CertificateRow, number), session.get(SigningKeyRow, kid)
    faults = []
    if signer is not None and signer.revoked_at is not None:
        on = time.strftime("%Y-%m-%d %H:%M", time.localtime(signer.revoked_at))
        faults.append(f"{KEY_REVOKED} on {on}; nothing that it signed counts any more.")
    if row is None:
        faults.append(f"the workshop's list does not hold certificate {number}.")
    elif row.token != token:
        faults.append(f"the list holds another certificate {number}.")
    if row is not None and row.revoked_at is not None:
        faults.append(f"revoked: {row.revoked_why}.")
    return faults


def _published(
    number: int, token: str, published: Sequence[Mapping[str, Any]]
) -> tuple[list[str], list[str]]:
    """Faults and notes by what is published; of two lists of one workshop the one that revokes is the newer."""
    entries = [row for row in published if row.get("number") == number]
    if not entries:
        return [f"the published list does not hold certificate {number}; ask for a newer list."], []
    digest = token_sha256(token)
    if any(row.get("sha256", digest) != digest for row in entries):  # lists from before it was told lack it
        return [f"the published list holds another certificate {number}."], []
    fallen = next((row for row in entries if row.get("stands") is not True), None)
    if fallen is not None:
        return [f"revoked: {fallen.get('why') or 'no reason given'}."], []
    of = max((str(row.get("as_of", "")) for row in entries), default="")
    return [], [f"By the list published{of and f' as of {of}'}, it stands; a newer list may take it back."]


def pads_known(said: Statement) -> Knowledge:
    """What the workshop knew of its pads when it judged the run, as far as the certificate carries it."""
    checks = {zone: PadCheck(0.0, 0.0, 0.0, float(at)) for zone, at in said.checked.items()}
    for zone, told in said.calibrated.items():
        gained = (told.siemens_per_ml or 0.0) * told.ml
        checks[zone] = PadCheck(0.0, gained, told.ml, float(told.at))
    return Knowledge(pad_checks=checks)


def check_against(checked: Checked, analysis: Analysis, digest: str) -> tuple[list[str], list[str]]:
    """Faults and notes: what differs between a certificate and the recording it rests on, judged again."""
    said, findings = checked.statement, analysis.findings
    if said is None:
        return [], []
    faults, notes = [], []
    if digest != said.recording_sha256:
        faults.append("the recording is not the one that was certified (its SHA-256 differs).")
    verdict = findings.verdict
    if said.checked:
        notes.append(
            "It was judged with the workshop's own checks of its pads, as the certificate tells them."
        )
    elif verdict == "retest" and {reason.code for reason in findings.reasons} <= {"pad-unproven"}:
        verdict = "pass"  # certificates from before they told of such checks
        notes.append(
            "From the recording alone a pad is not proven whole; the workshop had checked it before the run."
        )
    for name, theirs, ours in (
        ("verdict", "pass", verdict), ("washes", said.washes, findings.washes), ("wet events", said.wet_events, len(findings.wet_events)),
    ):  # fmt: skip
        if theirs != ours:
            faults.append(f"judged again, {name} is {ours}, not {theirs}.")
    return faults, notes
