"""The one path: recording + layout + plan → findings. Live page, replay, re-judging and certificate
all call this; it reads no disk, no clock and throws no dice, so that equal input gives equal answers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from soaktest.analysis.assurance import leak_chance_upper, smallest_seen
from soaktest.analysis.causes import Explanation, explain_wetting
from soaktest.analysis.coverage import Heard, survey
from soaktest.analysis.events import PadCheck, PadTrack
from soaktest.analysis.pads import read_pads
from soaktest.analysis.phases import infer_phases
from soaktest.analysis.series import PhaseTrack, Signals
from soaktest.analysis.signals import gather
from soaktest.analysis.verdict import Evidence, decide
from soaktest.findings import Assurance, Coverage, Findings, PadHealth, PhaseSpan
from soaktest.layouts import Layout
from soaktest.plans import Plan
from soaktest.recording import Header, Recording
from soaktest.vocabulary import PHASES, ZONES, Outcome, Zone

UNCALIBRATED = "not calibrated: its millilitres are good to about a factor of ten"


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What the workshop knows beyond one run: shares of leaks by part, checks of each pad, and what
    earlier runs of the same unrepaired unit say of its parts (``Explanation.part_log_likelihood``).
    """

    priors: Mapping[str, float] | None = None
    pad_checks: Mapping[Zone, PadCheck] | None = None
    earlier: Mapping[str, float] | None = None
    clean_washes: int = 0
    """Leak-free washes of those earlier runs."""


@dataclass(frozen=True, slots=True)
class Analysis:
    """Findings, and the steps that led to them, for plots and explanations."""

    findings: Findings
    signals: Signals
    pads: dict[Zone, PadTrack]
    phases: PhaseTrack
    explanation: Explanation
    heard: Heard
    layout: Layout
    plan: Plan


def analyse(recording: Recording, layout: Layout, plan: Plan, knowledge: Knowledge | None = None) -> Findings:
    """Judge one run. See :func:`examine` for the steps in between."""
    return examine(recording, layout, plan, knowledge).findings


def examine(recording: Recording, layout: Layout, plan: Plan, knowledge: Knowledge | None = None) -> Analysis:
    """Walk the path once, keeping every step.

    Bad messages are counted, not raised; a run that heard nothing gives a retest.
    """
    known = knowledge or Knowledge()
    signals = gather(recording)
    pads = read_pads(signals, known.pad_checks)
    phases = infer_phases(signals)
    heard = survey(signals, pads, phases, plan)
    explanation = explain_wetting(signals, pads, phases, layout, known.priors, known.earlier)
    evidence = Evidence(
        heard=heard,
        pads=pads,
        phases=phases,
        wet_events=explanation.wet_events,
        smallest_seen_ml=smallest_seen(pads, plan.detect_probability),
        calibrated=all((check := (known.pad_checks or {}).get(zone)) and check.ml for zone in ZONES),
        clean_washes_before=known.clean_washes,
        beside=layout.beside_in_words(),
    )
    verdict, reasons = decide(plan, evidence)
    findings = Findings(
        run=recording.header.run or _run_name(recording.header),
        unit=recording.header.unit,
        bench=recording.header.bench,
        layout=layout.name,
        plan=plan.name,
        began=signals.began,
        ended=signals.ended,
        verdict=verdict,
        reasons=reasons,
        washes=heard.washes,
        phases=_spans(phases, signals.ended),
        wet_events=explanation.wet_events,
        location=explanation.location,
        suspects=explanation.suspects,
        coverage=_coverage(heard),
        pads={zone: _health(pads[zone], (known.pad_checks or {}).get(zone)) for zone in ZONES},
        assurance=_assurance(heard, pads, verdict),
        next_washes=explanation.next_washes,
        set_aside=signals.set_aside,
        lost_packs=signals.lost_packs,
        clock_error_s=max(signals.clock_error_s.values(), default=None),
    )
    return Analysis(findings, signals, pads, phases, explanation, heard, layout, plan)


def _run_name(header: Header) -> str:
    return f"{header.bench}-{header.began:.0f}"


def _spans(phases: PhaseTrack, ended: float) -> list[PhaseSpan]:
    """Decoded stretches with the mean probability of the decoded phase as confidence."""
    return [
        PhaseSpan(
            phase=PHASES[which],
            start=phases.t0 + begin,
            end=min(phases.t0 + stop, max(ended, phases.t0 + begin)),
            confidence=round(float(phases.probability[begin:stop, which].mean()), 4),
        )
        for which, begin, stop in phases.spans()
    ]


def _coverage(heard: Heard) -> Coverage:
    return Coverage(
        watched_s=heard.watched_s,
        share=round(heard.share, 6),
        longest_gap_s=round(heard.longest_gap_s, 3),
        exercised=heard.exercised,
        dry_watch_s=heard.dry_watch_s,
        drip_watch_s=heard.drip_watch_s,
    )


def _health(track: PadTrack, check: PadCheck | None) -> PadHealth:
    note = track.note
    if track.state in ("sound", "unproven") and not (check and check.ml):
        note = f"{note}; {UNCALIBRATED}" if note else UNCALIBRATED
    return PadHealth(state=track.state, dry_siemens=track.dry_siemens, note=note)


def _assurance(heard: Heard, pads: Mapping[Zone, PadTrack], verdict: Outcome) -> Assurance:
    """Only a run that could have failed proves anything: no leak, and nothing missing."""
    clean = heard.washes if verdict == "pass" else 0
    seen = smallest_seen(pads, 0.9)
    return Assurance(
        leak_free_washes=clean,
        leak_chance_upper_95=leak_chance_upper(clean),
        smallest_seen_ml_90=None if seen is None else float(f"{seen:.3g}"),
    )
