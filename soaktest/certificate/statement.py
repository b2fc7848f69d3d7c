"""What a certificate says: short enough for a QR code, whole enough to be checked without the workshop.

The findings and the recording are named by their SHA-256; both can be attached or handed over.
"""

from __future__ import annotations

import hashlib
import io
from typing import Annotated, Any, Literal, NamedTuple

import orjson
from pydantic import BaseModel, ConfigDict, Field

from soaktest.findings import Findings
from soaktest.plans import Plan
from soaktest.recording import Recording, message_line
from soaktest.vocabulary import Zone, plural

RULE = (
    "Fails on a wet event that is a leak with a chance of 70 % or more; passes only when every thing the plan asks was heard; "
    "else it is tested again. What cannot be told falls on the workshop, not on the buyer."
)
NOT_THIS = (
    "No electrical safety test, no promise that the machine will not leak later, and no word on anything but water "
    "under the machine while it was watched."
)
LONGEST_TEXT = 200
Text = Annotated[str, Field(max_length=LONGEST_TEXT)]
Named = Annotated[str, Field(min_length=1, max_length=LONGEST_TEXT)]
Measured = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class Electrical(BaseModel):
    """Records of an electrical test by a qualified person, as entered; limits are those of the local code."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    by: Named
    on: Named
    earth_ohm: Measured | None = None
    insulation_megohm: Measured | None = None
    leakage_ma: Measured | None = None
    limits: Text = ""
    record_sha256: str = ""
    """Of the attached record, where there is one."""


class Calibration(NamedTuple):
    """A pad wetted with a known amount: when (UTC seconds), with how many millilitres, and what each of them added."""

    at: int
    ml: float
    siemens_per_ml: float | None = None
    """None where the wetting did not show, or the certificate is from before it was told."""


class Statement(BaseModel):
    """The signed content; times in UTC seconds, water in millilitres."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    certificate: Literal[1] = 1
    number: int
    issued: int
    signed_by: Text
    workshop: Text = ""
    unit: Text
    kind: Text = ""
    serial: Text = ""
    job: Text = ""
    parts: list[Text] = Field(default_factory=list, max_length=12)
    plan: Text
    plan_says: str
    run: int
    began: int
    ended: int
    washes: int
    exercised: dict[str, int]
    watched_s: int
    heard_share: float
    pads: dict[str, str]
    checked: dict[Zone, int] = Field(default_factory=dict)
    """When each pad was last found sound before the run."""
    calibrated: dict[Zone, Calibration] = Field(default_factory=dict)
    wet_events: int
    smallest_ml_90: float | None = None
    leak_chance_next_wash_95: float | None = None
    bench_shows_ml_90_95: float | None = None
    """Water that the bench's own drip challenge shows with 90 % probability, at 95 % confidence."""
    bench_tried: int | None = None
    """When a drop last fell in it."""
    earlier: Text = ""
    """How the unit's runs before this one came out, in words."""
    runs_before: int | None = None
    """In certificates from before that was told: those that did not pass."""
    override: Text = ""
    findings_sha256: str
    recording_sha256: str
    photo_sha256: str = ""
    software: Text
    supersedes: int | None = None
    list_at: Text = ""
    """Where the workshop's list says whether it still stands; empty where that was not told."""
    electrical: Electrical | None = None


def plan_in_words(plan: Plan) -> str:
    """The plan as a buyer can read it, with all that makes it strict or lax."""
    phases = ", ".join(f"{phase} {count} x" for phase, count in plan.exercise.items())
    return (
        f"{plan.title or plan.name}: {plural(plan.washes, 'wash')}, watched {_minutes(plan.dry_watch_s)} dry, "
        f"{_minutes(plan.min_watch_s)} from water-in, {_minutes(plan.drip_watch_s)} after the last drain; {phases}; "
        f"{100 * plan.min_coverage:.4g} % heard, gaps to {plan.max_gap_s:g} s; {plan.detect_ml:g} ml must show with "
        f"{100 * plan.detect_probability:.4g} %; pads {'may be unproven' if plan.allow_unproven_pads else 'proven whole'}."
    )


def _minutes(seconds: float) -> str:
    return f"{seconds / 60:.3g} min"


def recording_sha256(recording: Recording) -> str:
    """SHA-256 of the recording's uncompressed text, as it is written to a file."""
    digest = hashlib.sha256(orjson.dumps(recording.header.model_dump(exclude_none=True)) + b"\n")
    for message in recording.messages:
        digest.update(message_line(message))
    return digest.hexdigest()


def file_sha256(content: bytes) -> str:
    """SHA-256 of a recording file's text, gunzipped where need be."""
    import gzip

    with gzip.open(io.BytesIO(content)) if content[:2] == b"\x1f\x8b" else io.BytesIO(content) as text:
        return hashlib.sha256(text.read()).hexdigest()


def token_sha256(token: str) -> str:
    """SHA-256 of a signed object, as the published list names it."""
    return hashlib.sha256(token.encode()).hexdigest()


def findings_sha256(findings: Findings) -> str:
    """SHA-256 of the findings' JSON."""
    return hashlib.sha256(findings.model_dump_json().encode()).hexdigest()


def to_bytes(statement: Statement) -> bytes:
    """Compact JSON with sorted keys; what is empty is left out."""
    told: dict[str, Any] = statement.model_dump(mode="json", exclude_none=True)
    return orjson.dumps({k: v for k, v in told.items() if v not in ("", [], {})}, option=orjson.OPT_SORT_KEYS)
