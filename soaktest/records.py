"""What people put beside a run: notes and photos, pad checks, acknowledged alarms."""

from __future__ import annotations

import io
import time
import warnings

import sqlalchemy as sa

from soaktest.analysis.analyse import Knowledge
from soaktest.analysis.events import PadCheck
from soaktest.errors import InputError, Missing, plain_text
from soaktest.journal import Journal, run_of
from soaktest.layouts import Layout
from soaktest.tables import NoteRow, PadCheckRow, RunRow
from soaktest.vocabulary import ZONES, Zone
from soaktest.workshop.learning import priors_for

LARGEST_PHOTO = 12_000_000
"""Bytes."""
LARGEST_SIDE = 1600
"""Pixels; larger photos are made smaller, and all lose what the camera wrote into them."""
MOST_PIXELS = 60_000_000
LONGEST_NOTE = 2000
CHECK_HOLDS_S = 30 * 86_400.0
"""A pad check speaks for a run that begins up to so long after it."""


def add_note(
    journal: Journal, run: int, text: str, photo: bytes | None = None, at: float | None = None
) -> NoteRow:
    """Put a note, a photo or both beside a run.

    Raises:
        InputError: nothing in it, too long, or the photo is no JPEG or PNG.
        Missing: there is no such run.
    """
    words = plain_text("note", text, LONGEST_NOTE, lines=True)
    if not words and not photo:
        raise InputError("the note is empty. Write what you saw, or add a photo.")
    kept = clean_photo(photo) if photo else None
    with journal.session() as session:
        run_of(session, run)
        row = NoteRow(
            run=run,
            at=time.time() if at is None else at,
            text=words,
            photo=kept,
            photo_type="image/jpeg" if kept else None,
        )
        session.add(row)
        session.flush()
        return row


def clean_photo(photo: bytes) -> bytes:
    """A JPEG or PNG as a JPEG of at most ``LARGEST_SIDE`` pixels, without the camera's own data.

    Raises:
        InputError: too large, or not such a picture.
    """
    from PIL import Image, ImageOps

    if len(photo) > LARGEST_PHOTO:
        raise InputError(
            f"the photo has {len(photo) / 1e6:.1f} MB; {LARGEST_PHOTO / 1e6:.0f} MB at the most."
        )
    try:
        # the library warns of large pictures itself; ours is the smaller limit, and it refuses
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            opened = Image.open(io.BytesIO(photo), formats=("JPEG", "PNG"))
        with opened as picture:
            if picture.width * picture.height > MOST_PIXELS:  # told by its head, before any of it is unpacked
                raise InputError(
                    f"the photo has {picture.width} x {picture.height} pixels; {MOST_PIXELS / 1e6:.0f} million at the most."
                )
            upright = ImageOps.exif_transpose(picture).convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as exc:
        raise InputError("the photo is no JPEG or PNG that can be read. Take it again.") from exc
    upright.thumbnail((LARGEST_SIDE, LARGEST_SIDE))
    out = io.BytesIO()
    upright.save(out, "JPEG", quality=82)
    return out.getvalue()


def notes_of(journal: Journal, run: int) -> list[NoteRow]:
    """A run's notes in their order."""
    with journal.session() as session:
        return list(
            session.scalars(sa.select(NoteRow).where(NoteRow.run == run).order_by(NoteRow.at, NoteRow.id))
        )


def find_note(journal: Journal, number: int) -> NoteRow:
    """A note by its number. Raises Missing where there is none."""
    with journal.session() as session:
        row = session.get(NoteRow, number)
    if row is None:
        raise Missing(f"there is no note {number}.")
    return row


def acknowledge(journal: Journal, run: int) -> None:
    """Write down that somebody has seen the run's alarm just now; the alarm itself stays until the pad is dry.

    It speaks for what is wet by then: water that comes later has not been seen.
    """
    with journal.session() as session:
        run_of(session, run).acknowledged_at = time.time()


def keep_pad_check(journal: Journal, bench: str, zone: Zone, check: PadCheck, fault: str = "") -> None:
    """Write down a pad check; ``fault`` says what was wrong, empty where the pad is sound."""
    with journal.session() as session:
        session.add(
            PadCheckRow(
                bench=bench, zone=zone, at=check.at, dry_siemens=check.dry_siemens, wet_siemens=check.wet_siemens, ml=check.ml,
                fault=fault,
            )
        )  # fmt: skip


def pad_checks(journal: Journal, bench: str, before: float) -> dict[Zone, PadCheckRow]:
    """The newest check of each of a bench's pads before a moment (UTC seconds), not older than ``CHECK_HOLDS_S``."""
    found = {row.zone: row for row in _checks_of(journal, bench, before)}
    return {zone: found[zone] for zone in ZONES if zone in found}


def calibrations(journal: Journal, bench: str, before: float) -> dict[Zone, PadCheckRow]:
    """The newest wetting of each pad with a known amount, within the same time; none of a pad found at fault since.

    A touch with a damp finger says that a pad is whole, and leaves standing what it was calibrated to.
    """
    found: dict[str, PadCheckRow] = {}
    for row in _checks_of(journal, bench, before):
        if row.fault:
            found.pop(row.zone, None)
        elif row.ml > 0:
            found[row.zone] = row
    return {zone: found[zone] for zone in ZONES if zone in found}


def _checks_of(journal: Journal, bench: str, before: float) -> list[PadCheckRow]:
    """Checks that still speak at a moment, in the order of time."""
    where = (PadCheckRow.bench == bench, PadCheckRow.at <= before, PadCheckRow.at >= before - CHECK_HOLDS_S)
    with journal.session() as session:
        return list(session.scalars(sa.select(PadCheckRow).where(*where).order_by(PadCheckRow.at)))


def knowledge_of(journal: Journal, run: RunRow, written_by: float | None = None) -> Knowledge:
    """What the workshop knew when a run began: sound checks of its bench's pads, and shares of leaks by part.

    What is learned later moves no answer that was given. With ``written_by`` (UTC seconds), nothing that was written down
    after that moment counts, though it be dated back.
    """
    priors = priors_for(journal, Layout.model_validate_json(run.layout), run.began, written_by)
    sound = {zone: row for zone, row in pad_checks(journal, run.bench, run.began).items() if not row.fault}
    checks = {
        zone: PadCheck(row.dry_siemens, row.wet_siemens, row.ml, row.at)
        for zone, row in (sound | calibrations(journal, run.bench, run.began)).items()
    }
    return Knowledge(priors=priors, pad_checks=checks)
