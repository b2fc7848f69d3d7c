"""Findings: the one answer to a run, for people and programs (JSON).

Times are UTC seconds, water is in millilitres, places in millimetres from the
machine's left edge, probabilities from 0 to 1.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Literal, cast

import orjson
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from soaktest.vocabulary import Cause, Outcome, PadState, Phase, Zone

ONLY_FINDS = "plan-only-finds"
"""Code of the reason that a plan looks for a leak and gives no verdict."""


class Stated(BaseModel):
    """A frozen part of the findings; readers of later versions may meet more fields."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)


class Reason(Stated):
    """Why the verdict is what it is; for a retest ``mend`` says what to do next time."""

    code: str
    text: str
    mend: str = ""


class PhaseSpan(Stated):
    """One stretch of one phase."""

    phase: Phase
    start: float
    end: float
    confidence: float


class Amount(Stated):
    """A quantity as low, best, high (90 %)."""

    low: float
    best: float
    high: float


class WetEvent(Stated):
    """A pad that became wet, and the phase in which the water left the machine."""

    zone: Zone
    onset: float
    onset_low: float
    onset_high: float
    end: float | None
    peak_wetness: float
    """0 dry to 1 soaked, on the scale of log conductance."""
    cause: Cause
    cause_probability: dict[Cause, float] = Field(default_factory=dict)
    phase: Phase | None
    phase_probability: dict[Phase, float]
    phase_at_onset: Phase | None = None
    water_ml: Amount | None = None
    rate_ml_min: dict[Phase, Amount] = Field(default_factory=dict)


class Location(Stated):
    """Where across the machine the water came out, tilt taken off (90 % interval)."""

    x_mm: float
    low_mm: float
    high_mm: float
    zone_probability: dict[Zone, float]
    tilt_known: bool = False


class Suspect(Stated):
    """A part that may leak, why, and what to look at, unplugged."""

    part: str
    name: str
    probability: float
    why: str
    look: str


class Coverage(Stated):
    """How much of the watch was heard, and what the machine was made to do."""

    watched_s: float
    share: float
    longest_gap_s: float
    exercised: dict[Phase, int]
    dry_watch_s: float = 0.0
    drip_watch_s: float = 0.0


class PadHealth(Stated):
    """Whether a pad can be trusted, and its conductance when dry, in siemens."""

    state: PadState
    dry_siemens: float | None
    note: str = ""


class Assurance(Stated):
    """What a run without a leak would prove."""

    leak_free_washes: int
    leak_chance_upper_95: float | None
    """One-sided 95 % upper bound on the chance of a leak in the next wash."""
    smallest_seen_ml_90: float | None
    """Smallest amount of water on a pad that this run would have shown with 90 % probability."""


class NextWash(Stated):
    """The test wash that would tell the suspects apart best."""

    wash: str
    title: str
    gain_bits: float
    why: str


class Findings(Stated):
    """What one run shows."""

    findings: Literal[1] = 1
    run: str
    unit: str | None
    bench: str
    layout: str
    plan: str
    began: float
    ended: float
    verdict: Outcome
    reasons: list[Reason]
    washes: int
    phases: list[PhaseSpan]
    wet_events: list[WetEvent]
    location: Location | None
    suspects: list[Suspect]
    coverage: Coverage
    pads: dict[Zone, PadHealth]
    assurance: Assurance
    next_washes: list[NextWash] = Field(default_factory=list)
    set_aside: int = 0
    """Messages that broke the contract and were set aside."""
    lost_packs: int = 0
    """Packs missing from the nodes' own count."""
    clock_error_s: float | None = None
    """Largest standard error of a node's clock against the bench's, in seconds."""


def kept_verdict(findings: str | None) -> Outcome | None:
    """The verdict of findings kept as JSON; None where a run was not judged."""
    return cast(Outcome, orjson.loads(findings)["verdict"]) if findings else None


VERDICTS: dict[Outcome, tuple[str, str]] = {
    "pass": ("PASS", "no leak found"),
    "fail": ("FAIL", "it leaks"),
    "retest": ("RETEST", "the run cannot tell"),
}


def verdict_in_words(findings: Findings) -> tuple[str, str]:
    """The verdict's name and what it means, for people; a plan that only looks gives none, and what it found stands there."""
    return _in_words(findings.verdict, {reason.code for reason in findings.reasons})


def kept_whole(findings: str | None) -> Findings | None:
    """Findings kept as JSON; None where a run was not judged, or another version kept them."""
    with suppress(ValidationError):
        return Findings.model_validate_json(findings) if findings else None
    return None


def kept_name(findings: str | None) -> str:
    """The name that :func:`verdict_in_words` gives to findings kept as JSON; empty where a run was not judged."""
    if not findings:
        return ""
    told = orjson.loads(findings)
    return _in_words(told["verdict"], {reason["code"] for reason in told.get("reasons", ())})[0]


def _in_words(verdict: Outcome, codes: set[str]) -> tuple[str, str]:
    if ONLY_FINDS in codes:
        unheard = any(code.startswith("pad-") or code in ("gap", "coverage") for code in codes)
        found = "LEAK FOUND" if "wet-event" in codes else "CANNOT TELL" if unheard else "NO LEAK FOUND"
        return found, "this plan looks for a leak, and gives no pass or fail"
    return VERDICTS[verdict]
