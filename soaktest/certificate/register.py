"""The workshop's certificates: issued in order, corrected by a further one, taken back."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, NamedTuple

import sqlalchemy as sa
from pydantic import ValidationError
from sqlalchemy.orm import Session

from soaktest import __version__
from soaktest.analysis.analyse import Analysis, examine
from soaktest.bench import examine_run, find_run, layout_of, plan_of
from soaktest.certificate.grounds import (
    certified_runs,
    earlier_in_words,
    refuse_second,
    refuse_taken_back,
)
from soaktest.certificate.keys import key_in_use, payload_of, sign
from soaktest.certificate.paper import TEMPLATES, Form, print_certificate
from soaktest.certificate.statement import (
    LONGEST_TEXT,
    Calibration,
    Electrical,
    Statement,
    findings_sha256,
    plan_in_words,
    recording_sha256,
    to_bytes,
)
from soaktest.errors import InputError, Missing, Way, plain_text
from soaktest.findings import kept_verdict
from soaktest.journal import Journal
from soaktest.layouts import Layout
from soaktest.plans import named_plan
from soaktest.recording import Recording
from soaktest.records import LARGEST_PHOTO, calibrations, clean_photo, knowledge_of, pad_checks
from soaktest.tables import CertificateRow, PadCheckRow, PaperRow, RunRow, UnitRow
from soaktest.toml_values import shipped_names
from soaktest.vocabulary import ZONES
from soaktest.workshop.drips import bench_sensitivity
from soaktest.workshop.standing import Standing, standing_of

CLOCK_SLACK_S: Final = 600.0
LISTED: Final = Way("certificate list", "certificates")
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
    list_at: str = ""
    """Where the list of certificates is published."""
    drips: Drips | None = None
    """What the bench's drip challenge shows."""


class Issued(NamedTuple):
    """A certificate just signed, what it says, the run it rests on, and its printed forms."""

    row: CertificateRow
    statement: Statement
    analysis: Analysis
    sheets: dict[Form, bytes]


def refuse_unfit(run: RunRow) -> None:
    """Raise InputError for a run that, as it is kept, cannot be certified: not ended, of no unit, or no pass."""
    if run.ended is None or not run.unit:
        raise InputError(
            f"run {run.id} {'has not ended' if run.ended is None else 'names no unit'}; it cannot be certified."
        )
    verdict = kept_verdict(run.findings)
    if verdict not in (None, "pass"):
        raise _not_passed(run.id, verdict)


def _not_passed(number: int, verdict: str) -> InputError:
    return InputError(
        f"run {number} is a {verdict}; only a pass can be certified.",
        Way(f"judge {number}", "run", str(number)),
    )


def issue(journal: Journal, number: int, told: Told, folder: Path, passphrase: str) -> Issued:
    """Certify a passed run.

    Raises:
        InputError: the run did not pass, has no unit, or has a certificate that is not superseded; no
            signer's name; no key or not its passphrase; a photo or record of the wrong kind; something newer
            speaks against it; it cannot be printed. Then no number is used up.
    """
    run = find_run(journal, number)
    told = replace(
        told, signed_by=plain_text("name", told.signed_by, 200), workshop=plain_text("workshop", told.workshop, 200),
        job=plain_text("job", told.job, 200), parts=tuple(plain_text("part", part, 200) for part in told.parts),
        list_at=plain_text("list's address (SOAKTEST_LIST)", told.list_at, 200),
    )  # fmt: skip
    if not told.signed_by:
        raise InputError("a certificate needs the name of the person who signs it (--by).")
    if told.list_at and not told.list_at.startswith(("http://", "https://")):
        raise InputError(
            f"SOAKTEST_LIST={told.list_at!r} is no address that a buyer can open: begin it with https://."
        )
    refuse_unfit(run)
    plan = plan_of(run)
    issued = int(time.time())  # what has come by then is what it rests on, now and whenever it is checked
    recording = journal.recording(run, float(issued))
    analysis = examine(recording, layout_of(run), plan, knowledge_of(journal, run))
    if analysis.findings.verdict != "pass":
        raise _not_passed(number, analysis.findings.verdict)
    papers = _papers(told)
    if plan.name in shipped_names("plans") and plan != named_plan(plan.name):
        raise InputError(
            f"run {number} was run under a plan of your own that is named {plan.name!r} like a shipped one: a buyer would "
            "take it for that. Give the plan a name of its own, and run the test under it."
        )
    if (run.ended or 0.0) > time.time() + CLOCK_SLACK_S:
        raise InputError(f"run {number} ends in the future: set this machine's clock, or the recording's.")
    kid = key_in_use(journal).kid
    with journal.session() as session:
        _lock(session)
        same_test = certified_runs(session, run)
        refuse_taken_back(session, run, same_test)
        refuse_second(session, run, same_test, told.supersedes)
        if told.supersedes is not None:
            told, kept = _as_before(session, told, run)
            papers += [old for old in kept if old.name not in {paper.name for paper in papers}]
        following = 1 + (session.scalar(sa.select(sa.func.max(CertificateRow.number))) or 0)
        unit = session.get_one(UnitRow, run.unit)
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
            earlier_in_words(session, run),
        )
        token = sign(to_bytes(statement), folder, kid, passphrase)
        # what cannot be printed is refused before it has a number
        sheets = _printed(statement, token, analysis, papers, layout_of(run))
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
    return Issued(row, statement, analysis, sheets)


def _printed(
    statement: Statement,
    token: str,
    analysis: Analysis | None,
    papers: list[PaperRow],
    layout: Layout,
    forms: Iterable[Form] = TEMPLATES,
) -> dict[Form, bytes]:
    beside = layout.beside_in_words()
    return {form: print_certificate(statement, token, analysis, form, papers, beside) for form in forms}


def print_again(
    journal: Journal, number: int, forms: Iterable[Form] = TEMPLATES
) -> tuple[CertificateRow, dict[Form, bytes]]:
    """A certificate that stands, and its printed forms (PDF) with what was signed and nothing else.

    Raises:
        InputError: there is none, it does not stand, or it cannot be printed here.
    """
    (row, fallen), statement = find_certificate(journal, number)
    if fallen:
        raise InputError(f"certificate {number} does not stand: {fallen}. It is not printed any more.")
    run = find_run(journal, row.run)
    analysis: Analysis | None = examine_run(journal, run)
    if analysis is not None and findings_sha256(analysis.findings) != statement.findings_sha256:
        analysis = None  # judged by a later version: what is attached must be what was signed
    return row, _printed(statement, row.token, analysis, papers_of(journal, number), layout_of(run), forms)


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


def find_certificate(journal: Journal, number: int) -> tuple[Standing, Statement]:
    """A certificate of the workshop's, whether it stands, and what it says. Raises Missing where there is none."""
    with journal.session() as session:
        row = session.get(CertificateRow, number)
        if row is None:
            raise Missing(f"there is no certificate {number}.", LISTED)
        [found] = standing_of(session, [row])
    return found, Statement.model_validate_json(payload_of(row.token))


def _as_before(session: Session, told: Told, run: RunRow) -> tuple[Told, list[PaperRow]]:
    """A correction says again what it does not say anew, papers too."""
    old = session.get(CertificateRow, told.supersedes)
    if old is None:
        raise Missing(f"there is no certificate {told.supersedes} to supersede.", LISTED)
    if old.unit != run.unit or old.revoked_at is not None:
        why = f"is of unit {old.unit}" if old.unit != run.unit else f"was taken back: {old.revoked_why}"
        raise InputError(f"certificate {old.number} {why}; it cannot be superseded by one for run {run.id}.")
    said = Statement.model_validate_json(payload_of(old.token))
    kept = sa.select(PaperRow).where(PaperRow.certificate == old.number)
    if told.electrical is not None:  # the record of another test is none of this one
        kept = kept.where(PaperRow.name != RECORD)
    papers = [PaperRow(name=p.name, media=p.media, content=p.content) for p in session.scalars(kept)]
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
    earlier: str,
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
            calibrated={zone: _calibration(row) for zone, row in calibrated.items()}, wet_events=len(findings.wet_events),
            smallest_ml_90=findings.assurance.smallest_seen_ml_90, leak_chance_next_wash_95=findings.assurance.leak_chance_upper_95,
            bench_shows_ml_90_95=told.drips and told.drips.ml, bench_tried=told.drips and told.drips.on, earlier=earlier, override=_shortened(run.override or ""),
            findings_sha256=findings_sha256(findings), recording_sha256=recording_sha256(recording), photo_sha256=hashes.get(PHOTO, ""),
            software=f"soaktest {__version__}", supersedes=told.supersedes, list_at=told.list_at, electrical=electrical,
        )  # fmt: skip
    except ValidationError as exc:
        fault = exc.errors()[0]
        raise InputError(f"{'.'.join(map(str, fault['loc']))}: {fault['msg']}.") from exc


def _shortened(reason: str) -> str:
    """Runs of before may have a longer reason than a certificate holds; it stands whole with the run."""
    return reason if len(reason) <= LONGEST_TEXT else f"{reason[: LONGEST_TEXT - 1].rstrip()}…"


def _calibration(row: PadCheckRow) -> Calibration:
    """Six figures are more than any pad repeats, and leave the QR code small."""
    gained = row.wet_siemens - row.dry_siemens
    return Calibration(int(row.at), row.ml, float(f"{gained / row.ml:.6g}") if gained > 0 else None)


def bench_shows(journal: Journal, number: int) -> Drips | None:
    """What the drip challenge of a run's bench showed when the run began; None where it cannot say."""
    run = find_run(journal, number)
    try:
        shown = bench_sensitivity(journal, run.bench, run.began)
    except InputError:
        return None
    return Drips(float(f"{shown.a90_95:.2g}"), int(shown.last))


def list_certificates(journal: Journal, run: int | None = None) -> list[Standing]:
    """All certificates, or those of one run, the newest first, and whether each stands."""
    rows = sa.select(CertificateRow).order_by(CertificateRow.number.desc())
    if run is not None:
        rows = rows.where(CertificateRow.run == run)
    with journal.session() as session:
        return standing_of(session, session.scalars(rows))


def revoke(journal: Journal, number: int, why: str) -> None:
    """Take a certificate back, such as that of a unit that came back. Raises InputError without a reason."""
    reason = plain_text("why", why, 500)
    if not reason:
        raise InputError("say why it is revoked (--why).")
    with journal.session() as session:
        row = session.get(CertificateRow, number)
        if row is None:
            raise Missing(f"there is no certificate {number}.", LISTED)
        if row.revoked_at is None:
            row.revoked_at, row.revoked_why = time.time(), reason
