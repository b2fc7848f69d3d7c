"""How a run stands, as the pages are told of it: one under way, or the last that was judged."""

from __future__ import annotations

from typing import Any

from soaktest.bench import Live
from soaktest.findings import kept_name, kept_whole
from soaktest.in_words import answer
from soaktest.readiness import pads_at_fault
from soaktest.tables import RunRow

PHASE_HEARD_S = 30
"""What tells the phase may be unheard for so long until no phase is told."""


def ended_with(run: RunRow) -> dict[str, Any]:
    """What a judged run came to, as whoever comes to the bench wants to know it first."""
    told = kept_whole(run.findings)
    leaked = sorted((e.onset, e.zone) for e in told.wet_events if e.cause == "leak") if told else []
    return {
        "run": run.id, "unit": run.unit, "verdict": kept_name(run.findings), "ended": run.ended,
        "answer": answer(told) if told else "", "leaked": [(zone, at) for at, zone in leaked],
        "at_fault": pads_at_fault(told) if told else {},
    }  # fmt: skip


def state_of(live: Live) -> dict[str, Any]:
    """The judged part of a bench's state."""
    analysis = live.analysis
    at = live.at - 2.0
    heard = analysis.phases.heard[max(int(at - analysis.phases.t0) - PHASE_HEARD_S, 0) :]
    phase = analysis.phases.at(at) if heard.any() else None  # what a silent node last told is no phase of now
    spans = analysis.findings.phases
    sure = next((s.confidence for s in reversed(spans) if s.start <= at), None)
    return {
        "stage": live.stage, "leaked": live.leaked, "phase": phase, "sure": sure, "needs": live.needs, "lost": [reason.text for reason in live.lost], "may_stop": live.may_stop,
        "washes": analysis.findings.washes, "suspects": [[s.name, s.probability] for s in analysis.findings.suspects[:3]],
        "clock_error_s": analysis.findings.clock_error_s, "lost_packs": analysis.findings.lost_packs,
    }  # fmt: skip
