"""Wet events × phases → causes, the phase held responsible, place, suspects and amounts.

Spill, condensation and fault are hypotheses beside leak for each event; only what may be a leak
goes on to place and suspects.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from soaktest.analysis.conductance import ml_for_rise
from soaktest.analysis.events import PadEvent, PadTrack
from soaktest.analysis.leak_rate import rates_by_phase
from soaktest.analysis.location import locate
from soaktest.analysis.next_wash import choose_next
from soaktest.analysis.series import PhaseTrack, Signals
from soaktest.analysis.suspects import PartFit, first_leaks, fit_parts, posterior, release_phase
from soaktest.findings import Amount, Location, NextWash, Suspect, WetEvent
from soaktest.layouts import Layout, Part
from soaktest.vocabulary import CAUSES, PHASES, ZONES, Cause, Phase, Zone

TOGETHER_S = 8.0
"""All pads wet within this long: nothing under a machine spreads so fast."""
STEAM_S = 1500.0
"""Steam rises up to so long after the heater was on."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """Everything that the wet events say. ``part_log_likelihood`` adds over runs of one unit."""

    wet_events: list[WetEvent]
    location: Location | None
    suspects: list[Suspect]
    next_washes: list[NextWash]
    part_log_likelihood: dict[str, float]
    fits: list[PartFit]


def explain_wetting(
    signals: Signals,
    pads: Mapping[Zone, PadTrack],
    phases: PhaseTrack,
    layout: Layout,
    priors: Mapping[str, float] | None = None,
    earlier: Mapping[str, float] | None = None,
) -> Explanation:
    """Explain the pads' events.

    Args:
        signals: what was heard; its tilt is used where told.
        pads: the pads, with their events.
        phases: the phases.
        layout: where pads and parts are.
        priors: replace the layout's shares of leaks, by part id.
        earlier: log likelihoods by part id of earlier runs of the same unrepaired unit; a dry run
            beside them speaks too, against the parts that it exercised.
    """
    events = [event for zone in ZONES for event in pads[zone].events]
    events.sort(key=lambda event: event.onset)
    causes = [_causes(event, events, pads, phases) for event in events]
    leaks: dict[Zone, list[PadEvent]] = {zone: [] for zone in ZONES}
    for event, cause in zip(events, causes, strict=True):
        if cause["leak"] >= 0.3:
            leaks[event.zone].append(event)
    arrivals = first_leaks(leaks, signals.ended, pads)
    if not arrivals.wet and not (earlier and arrivals.dry):
        told = [_told(event, cause, {}, phases, pads) for event, cause in zip(events, causes, strict=True)]
        return Explanation(told, None, [], [], {}, [])
    tilt = signals.other("tilt-across")
    tilt_rad = float(np.median(tilt.v)) if len(tilt) else None
    fits = fit_parts(arrivals, pads, phases, layout, tilt_rad)
    chance = posterior(fits, priors, earlier)
    first = min((e for found in leaks.values() for e in found), key=lambda e: e.onset, default=None)
    told = []
    for event, cause in zip(events, causes, strict=True):
        held = release_phase(fits, chance, event, first) if first and event in leaks[event.zone] else {}
        one = _told(event, cause, held, phases, pads)
        told.append(
            one.model_copy(update={"rate_ml_min": rates_by_phase(pads[event.zone], event, fits, chance)})
            if held
            else one
        )
    return Explanation(
        told,
        locate(chance, layout, tilt_known=tilt_rad is not None),
        _suspects(fits, chance, told, layout),
        choose_next(chance, layout),
        {fit.part.id: fit.log_likelihood + (earlier or {}).get(fit.part.id, 0.0) for fit in fits},
        fits,
    )


def _causes(
    event: PadEvent, events: list[PadEvent], pads: Mapping[Zone, PadTrack], phases: PhaseTrack
) -> dict[Cause, float]:
    """Chances of leak, condensation, spill and fault for one event, from its shape and its company."""
    weight: dict[Cause, float] = {"leak": 1.0, "condensation": 0.01, "spill": 0.03, "fault": 0.01}
    fill = _first_fill(phases)
    if event.at_start:
        return _shares({"leak": 0.03, "condensation": 0.01, "spill": 1.0, "fault": 0.03})
    if fill is None or event.onset_high < fill - 2.0:
        # Nothing was let in yet: somebody's water, or the inlet side under pressure.
        weight["spill"] += 0.6 if _grows_on(pads[event.zone], event.onset, fill) else 2.0
    near = {e.zone for e in events if abs(e.onset - event.onset) <= TOGETHER_S}
    if len(near) == 3 and event.step_share > 0.3:
        weight["spill"] += 8.0
    if (
        event.step_share > 0.9
        and event.smooth_s <= 6
        and event.peak_wetness > 0.45
        and _nothing_follows(event, pads)
    ):
        weight["spill"] += 2.5
    hot = _heat_before(phases, event.onset)
    if len(near) == 3 and event.step_share <= 0.3:
        weight["condensation"] += 5.0 if hot and event.shared > 0.3 else 1.0  # all at once, and no splash
    slow = event.smooth_s > 60 and event.step_share < 0.5
    if event.shared > 0.3 and slow:
        weight["condensation"] += 6.0 * event.shared / 0.5 * (1.0 if hot else 0.4)
        if event.peak_wetness > 0.5:
            weight["condensation"] *= 0.3
    track = pads[event.zone]
    if track.state in ("open", "short", "stuck"):
        weight["fault"] += 1.5
    elif not _sound_around(track, event.onset):
        weight["fault"] += 0.4  # heard again after a silence, and wet: a node that starts may misread, once
    return _shares(weight)


def _shares(weight: Mapping[Cause, float]) -> dict[Cause, float]:
    total = sum(weight.values())
    return {cause: round(weight[cause] / total, 4) for cause in CAUSES}


def _first_fill(phases: PhaseTrack) -> float | None:
    fill = np.flatnonzero(phases.best == PHASES.index("fill"))
    return phases.t0 + float(fill[0]) if len(fill) else None


def _nothing_follows(event: PadEvent, pads: Mapping[Zone, PadTrack]) -> bool:
    """The pad does not grow after its first seconds, and the water came at once."""
    track = pads[event.zone]
    early = (track.t > event.onset + 5) & (track.t < event.onset + 15)
    late = (track.t > event.onset + 60) & (track.t < event.onset + 240)
    if not early.any() or late.sum() < 30:
        return False
    return float(np.quantile(track.log_g[late], 0.9)) < float(np.median(track.log_g[early])) + 0.05


def _grows_on(track: PadTrack, onset: float, fill: float | None) -> bool:
    """Whether the pad gets wetter and wetter before water is let in: the tap feeds a leak, nobody feeds a spill."""
    until = min(onset + 240.0, fill if fill is not None else np.inf)
    early = (track.t > onset + 12) & (track.t < onset + 24)
    late = (track.t > until - 15) & (track.t < until)
    if until - onset < 60 or not early.any() or not late.any():
        return False
    return float(np.median(track.log_g[late]) - np.median(track.log_g[early])) > 0.12


def _heat_before(phases: PhaseTrack, at: float) -> bool:
    if not phases.sees_heat:
        return True
    stop = int(np.clip(at - phases.t0 + 60, 0, phases.seconds))
    begin = int(max(0, stop - STEAM_S))
    return bool((phases.best[begin:stop] == PHASES.index("heat")).any())


def _sound_around(track: PadTrack, at: float) -> bool:
    """Whether the pad was heard and sound without a break for some seconds on both sides of ``at``."""
    return any(begin <= at - 3 and at + 2 <= end for begin, end in track.sound_spans) or not track.sound_spans


def _told(
    event: PadEvent,
    cause: dict[Cause, float],
    held: Mapping[str, float],
    phases: PhaseTrack,
    pads: Mapping[Zone, PadTrack],
) -> WetEvent:
    best = max(held, key=lambda p: held[p]) if held else None
    dry = float(np.median(pads[event.zone].dry))
    low, middle, high = ml_for_rise(event.rise, dry, pads[event.zone].siemens_per_ml)
    kept: dict[Phase, float] = {p: round(held[p], 4) for p in PHASES if held.get(p, 0.0) >= 0.002}
    return WetEvent(
        zone=event.zone,
        onset=round(event.onset, 2),
        onset_low=round(event.onset_low, 2),
        onset_high=round(event.onset_high, 2),
        end=None if event.end is None else round(event.end, 2),
        peak_wetness=round(event.peak_wetness, 4),
        cause=max(cause, key=lambda c: cause[c]),
        cause_probability=cause,
        phase=best,
        phase_probability=kept,
        phase_at_onset=phases.at(event.onset),
        water_ml=Amount(low=round(low, 3), best=round(middle, 3), high=round(high, 3)),
    )


def _suspects(
    fits: list[PartFit], chance: Mapping[str, float], told: list[WetEvent], layout: Layout
) -> list[Suspect]:
    first = next((event for event in told if event.phase is not None), None)
    out = []
    for fit in sorted(fits, key=lambda fit: -chance[fit.part.id]):
        part = fit.part
        sits = f"It sits {part.x_mm:.0f} mm from the left, by the {layout.zone_at(part.x_mm)} pad"
        if first is None:
            why = f"{sits}; this run stayed dry, and is weighed together with the earlier one."
        else:
            why = f"{sits}, and {_fits_phase(part, first.phase)}; the {first.zone} pad was wet first."
        out.append(
            Suspect(
                part=part.id,
                name=part.name,
                probability=round(chance[part.id], 4),
                why=why,
                look=part.look
                or "Unplug the machine, then look at this part and below it while it is still wet.",
            )
        )
    return out


def _fits_phase(part: Part, phase: Phase | None) -> str:
    rate = part.wets.get(phase, 0.0) if phase else 0.0
    said = f"it leaks {'most' if rate >= 0.99 else 'also' if rate > 0.2 else 'little'} in {phase}, when the water came"
    if rate <= 0.2:
        said += f" (most in {max(part.wets, key=lambda p: part.wets[p])})"
    return said
