"""The workshop's certificates: issued in order, corrected by a further one, taken back."""

from __future__ import annotations

import hashlib
import shlex
import time
from collections.abc import Container
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Final, NamedTuple

import sqlalchemy as sa
from pydantic import ValidationError
from sqlalchemy.orm import Session

from soaktest import __version__
from soaktest.analysis.analyse import Analysis, examine
from soaktest.bench import find_run, layout_of, plan_of
from soaktest.certificate.keys import key_in_use, payload_of, public_keys, sign, signer_of
from soaktest.certificate.paper import qr_svg
from soaktest.certificate.statement import (
    Electrical,
    Statement,
    findings_sha256,
    plan_in_words,
    recording_sha256,
    to_bytes,
)
from soaktest.errors import InputError, plain_text
from soaktest.findings import kept_verdict
from soaktest.journal import Journal
from soaktest.plans import named_plan
from soaktest.recording import Recording
from soaktest.records import LARGEST_PHOTO, calibrations, clean_photo, knowledge_of, pad_checks
from soaktest.tables import CertificateRow, PaperRow, RunRow, UnitRow
from soaktest.toml_values import shipped_names
from soaktest.vocabulary import ZONES
from soaktest.workshop.drips import bench_sensitivity
from soaktest.workshop.stories import standing_entries

CLOCK_SLACK_S: Final = 600.0
PHOTO, RECORD = "photo", "electrical-record"
_RECORDS: Final = (
    (b"%PDF-", "application/pdf"),
    (b"\xff\xd8\xff", "image/jpeg"),
    (b"\x89PNG\r\n\x1a\n", "image/png"),
)


class Drips(NamedTuple):
    """Millilitres that a bench shows with 90 % probability, at 95 % confidence, and when it was last tried (UTC seconds)."""

    ml: float
    on: int


class Standing(NamedTuple):
    """A certificate of the list; ``fallen`` says why it does not stand, empty where it does."""

    row: CertificateRow
    fallen: str


@dataclass(frozen=True, slots=True)
class Told:
    """What a person adds to a certificate."""

    signed_by: str
    workshop: str = ""
    job: str = ""
    parts: tuple[str, ...] = ()
    supersedes: int | None = None
    electrical: Electrical | None = None
    record: bytes = b""
    """The electrical test's record: PDF, JPEG or PNG."""
    photo: bytes = b""
    """Of the unit: JPEG or PNG."""
    drips: Drips | None = None
    """What the bench's drip challenge shows."""


class Issued(NamedTuple):
    """A certificate just signed, what it says, the run it rests on, and what is attached."""

    row: CertificateRow
    statement: Statement
    analysis: Analysis
    papers: list[PaperRow]


def issue(journal: Journal, number: int, told: Told, folder: Path, passphrase: str) -> Issued:
    """Certify a passed run.

    Raises:
        InputError: the run did not pass, has no unit, or has a certificate that is not superseded; no
            signer's name; no key or not its passphrase; a photo or record of the wrong kind.
    """
    run = find_run(journal, number)
    told = replace(
        told, signed_by=plain_text("name", told.signed_by, 200), workshop=plain_text("workshop", told.workshop, 200),
        job=plain_text("job", told.job, 200), parts=tuple(plain_text("part", part, 200) for part in told.parts),
    )  # fmt: skip
    if not told.signed_by:
        raise InputError("a certificate needs the name of the person who signs it (--by).")
    if run.ended is None or not run.unit:
        raise InputError(
            f"run {number} {'has not ended' if run.ended is None else 'names no unit'}; it cannot be certified."
        )
    plan = plan_of(run)
    issued = int(time.time())  # what has come by then is what it rests on, now and whenever it is checked
    recording = journal.recording(run, float(issued))
    analysis = examine(recording, layout_of(run), plan, knowledge_of(journal, run))
    if analysis.findings.verdict != "pass":
        raise InputError(
            f"run {number} is a {analysis.findings.verdict}; only a pass can be certified. See: soaktest judge {number}"
        )
    papers = _papers(told)
    if plan.name in shipped_names("plans") and plan != named_plan(plan.name):
        raise InputError(
            f"run {number} was run under a plan of your own that is named {plan.name!r} like a shipped one: a buyer would "
            "take it for that. Give the plan a name of its own, and run the test under it."
        )
    if run.ended > time.time() + CLOCK_SLACK_S:
        raise InputError(f"run {number} ends in the future: set this machine's clock, or the recording's.")
    kid = key_in_use(journal).kid
    with journal.session() as session:
        _lock(session)
        _refuse_taken_back(session, run)
        standing = session.scalar(
            sa.select(CertificateRow)
            .where(CertificateRow.run == number, CertificateRow.revoked_at.is_(None))
            .order_by(CertificateRow.number.desc())
        )
        if standing is not None and told.supersedes != standing.number:
            raise InputError(
                f"run {number} has certificate {standing.number}. Correct it with --supersedes {standing.number}."
            )
        if told.supersedes is not None:
            told, kept = _as_before(session, told, run)
            papers += [old for old in kept if old.name not in {paper.name for paper in papers}]
        following = 1 + (session.scalar(sa.select(sa.func.max(CertificateRow.number))) or 0)
        unit = session.get_one(UnitRow, run.unit)
        before = list(
            session.scalars(sa.select(RunRow).where(RunRow.unit == run.unit, RunRow.began < run.began))
        )
        statement = _statement(
            journal,
            run,
            unit,
            analysis,
            recording,
            issued,
            told,
            {paper.name: hashlib.sha256(paper.content).hexdigest() for paper in papers},
            following,
            sum(kept_verdict(r.findings) != "pass" for r in before),
        )
        token = sign(to_bytes(statement), folder, kid, passphrase)
        qr_svg(token)  # too long for its code: refused before it has a number
        if told.supersedes is not None:
            old = session.get_one(CertificateRow, told.supersedes)
            old.revoked_at, old.revoked_why = time.time(), f"superseded by certificate {following}"
        row = CertificateRow(
            number=following, run=number, unit=run.unit, issued_at=float(statement.issued), token=token, supersedes=told.supersedes,
            revoked_at=None, revoked_why="",
        )  # fmt: skip
        session.add(row)
        session.flush()
        for paper in papers:
            paper.certificate = following
            session.add(paper)
    return Issued(row, statement, analysis, papers)


def _papers(told: Told) -> list[PaperRow]:
    out = []
    if told.photo:
        out.append(PaperRow(name=PHOTO, media="image/jpeg", content=clean_photo(told.photo)))
    if told.record:
        if told.electrical is None:
            raise InputError("the record of an electrical test needs its figures too: who tested, and when.")
        media = next((m for start, m in _RECORDS if told.record.startswith(start)), None)
        if media is None or len(told.record) > LARGEST_PHOTO:
            raise InputError(
                f"the record of the electrical test must be a PDF, JPEG or PNG of at most {LARGEST_PHOTO / 1e6:.0f} MB."
            )
        out.append(PaperRow(name=RECORD, media=media, content=told.record))
    return out


def papers_of(journal: Journal, number: int) -> list[PaperRow]:
    """What is attached to a certificate."""
    with journal.session() as session:
        return list(session.scalars(sa.select(PaperRow).where(PaperRow.certificate == number)))


def find_certificate(journal: Journal, number: int) -> tuple[CertificateRow, Statement]:
    """A certificate of the workshop's, and what it says. Raises InputError where there is none."""
    with journal.session() as session:
        row = session.get(CertificateRow, number)
    if row is None:
        raise InputError(f"there is no certificate {number}. See: soaktest certificate list")
    return row, Statement.model_validate_json(payload_of(row.token))


def _refuse_taken_back(session: Session, run: RunRow) -> None:
    """A run speaks for a unit only while nothing newer speaks against it: no certificate of it that was revoked for cause,
    no later run that failed, no repair and no comeback since.
    """
    replaced = set(session.scalars(sa.select(CertificateRow.supersedes)))
    for row in session.scalars(sa.select(CertificateRow).where(CertificateRow.run == run.id)):
        if row.revoked_at is not None and row.number not in replaced:
            raise InputError(
                f"certificate {row.number} for run {run.id} was revoked: {row.revoked_why}. Test the unit again, and certify that run."
            )
    later = session.scalars(
        sa.select(RunRow).where(
            RunRow.unit == run.unit, RunRow.began > run.began, RunRow.findings.is_not(None)
        )
    )
    failed = next((other for other in later if kept_verdict(other.findings) == "fail"), None)
    if failed is not None:
        raise InputError(
            f"run {failed.id} of unit {run.unit} failed after run {run.id}. Mend it, test again, and certify that run."
        )
    for entry in standing_entries(session):
        if (
            entry.unit == run.unit
            and entry.what in ("came back", "repair")
            and entry.at > (run.ended or run.began)
        ):
            what = "came back" if entry.what == "came back" else "was repaired"
            before = datetime.fromtimestamp(run.began - 60).isoformat(timespec="minutes")
            mend = ["unit", "write", entry.unit, entry.what, "--corrects", str(entry.id), "--on", before]
            raise InputError(
                f"unit {run.unit} {what} after run {run.id}. Test it again, and certify that run; or, where the entry was "
                f"written late, say when it was, if that was before the run: soaktest {shlex.join(mend)}"
            )


def _as_before(session: Session, told: Told, run: RunRow) -> tuple[Told, list[PaperRow]]:
    """A correction says again what it does not say anew, papers too."""
    old = session.get(CertificateRow, told.supersedes)
    if old is None:
        raise InputError(f"there is no certificate {told.supersedes} to supersede.")
    if old.unit != run.unit or old.revoked_at is not None:
        why = f"is of unit {old.unit}" if old.unit != run.unit else f"was taken back: {old.revoked_why}"
        raise InputError(f"certificate {old.number} {why}; it cannot be superseded by one for run {run.id}.")
    said = Statement.model_validate_json(payload_of(old.token))
    kept = session.scalars(sa.select(PaperRow).where(PaperRow.certificate == old.number))
    papers = [PaperRow(name=p.name, media=p.media, content=p.content) for p in kept]
    return replace(
        told,
        workshop=told.workshop or said.workshop,
        job=told.job or said.job,
        parts=told.parts or tuple(said.parts),
        electrical=told.electrical or said.electrical,
    ), papers


def _lock(session: Session) -> None:
    """Two that issue at once wait for each other, so that no number is left out or given twice."""
    if session.get_bind().dialect.name == "postgresql":
        session.execute(sa.text("LOCK TABLE certificate IN EXCLUSIVE MODE"))
    else:
        session.execute(sa.update(CertificateRow).where(CertificateRow.number == -1).values(revoked_why=""))


def _statement(  # noqa: PLR0913
    journal: Journal,
    run: RunRow,
    unit: UnitRow,
    analysis: Analysis,
    recording: Recording,
    issued: int,
    told: Told,
    hashes: dict[str, str],
    number: int,
    runs_before: int,
) -> Statement:
    findings, plan = analysis.findings, plan_of(run)
    checks = pad_checks(journal, run.bench, run.began)
    electrical = told.electrical and told.electrical.model_copy(
        update={"record_sha256": hashes.get(RECORD, "")}
    )
    calibrated = calibrations(journal, run.bench, run.began)
    try:
        return Statement(
            number=number, issued=issued, signed_by=told.signed_by, workshop=told.workshop, unit=unit.tag, kind=unit.kind,
            serial=unit.serial, job=told.job, parts=list(told.parts), plan=plan.name, plan_says=plan_in_words(plan), run=run.id,
            began=int(run.began), ended=int(run.ended or 0), washes=findings.washes, exercised=dict(findings.coverage.exercised),
            watched_s=round(findings.coverage.watched_s), heard_share=round(findings.coverage.share, 4),
            pads={zone: findings.pads[zone].state for zone in ZONES},
            checked={zone: int(row.at) for zone, row in checks.items() if not row.fault},
            calibrated={zone: (int(row.at), row.ml) for zone, row in calibrated.items()}, wet_events=len(findings.wet_events),
            smallest_ml_90=findings.assurance.smallest_seen_ml_90, leak_chance_next_wash_95=findings.assurance.leak_chance_upper_95,
            bench_shows_ml_90_95=told.drips and told.drips.ml, bench_tried=told.drips and told.drips.on, runs_before=runs_before, override=run.override or "",
            findings_sha256=findings_sha256(findings), recording_sha256=recording_sha256(recording), photo_sha256=hashes.get(PHOTO, ""),
            software=f"soaktest {__version__}", supersedes=told.supersedes, electrical=electrical,
        )  # fmt: skip
    except ValidationError as exc:
        fault = exc.errors()[0]
        raise InputError(f"{'.'.join(map(str, fault['loc']))}: {fault['msg']}.") from exc


def bench_shows(journal: Journal, number: int) -> Drips | None:
    """What the drip challenge of a run's bench showed when the run began; None where it cannot say."""
    run = find_run(journal, number)
    try:
        shown = bench_sensitivity(journal, run.bench, run.began)
    except InputError:
        return None
    return Drips(float(f"{shown.a90_95:.2g}"), int(shown.last))


def list_certificates(journal: Journal) -> list[Standing]:
    """All certificates, the newest first, and whether each stands: neither it nor the key that signed it was revoked."""
    known = public_keys(journal)
    with journal.session() as session:
        rows = list(session.scalars(sa.select(CertificateRow).order_by(CertificateRow.number.desc())))
    return [Standing(row, _fallen(row, known)) for row in rows]


def standing(journal: Journal, row: CertificateRow) -> Standing:
    """The same of one certificate."""
    return Standing(row, _fallen(row, public_keys(journal)))


def _fallen(row: CertificateRow, known: Container[str]) -> str:
    if row.revoked_at is not None:
        return row.revoked_why
    return "" if signer_of(row.token) in known else "the key that signed it was revoked"


def revoke(journal: Journal, number: int, why: str) -> None:
    """Take a certificate back, such as that of a unit that came back. Raises InputError without a reason."""
    reason = plain_text("why", why, 500)
    if not reason:
        raise InputError("say why it is revoked (--why).")
    with journal.session() as session:
        row = session.get(CertificateRow, number)
        if row is None:
            raise InputError(f"there is no certificate {number}. See: soaktest certificate list")
        if row.revoked_at is None:
            row.revoked_at, row.revoked_why = time.time(), reason
