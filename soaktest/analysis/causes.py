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
from soaktest.analysis.wet_causes import causes_of
from soaktest.findings import Amount, Location, NextWash, Suspect, WetEvent
from soaktest.layouts import Layout, Part
from soaktest.vocabulary import PHASES, ZONES, Cause, Phase, Zone


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
    causes = causes_of(events, pads, phases, signals.other("humidity"))
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


def _told(
    event: PadEvent,
    cause: dict[Cause, float],
    held: Mapping[str, float],
    phases: PhaseTrack,
    pads: Mapping[Zone, PadTrack],
) -> WetEvent:
    best = max(held, key=lambda p: held[p]) if held else None
    track = pads[event.zone]
    dry = float(np.interp(event.onset + 1.0, track.t, track.dry))
    low, middle, high = ml_for_rise(event.rise, dry, track.siemens_per_ml)
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
                look=part.look or "Unplug the machine, then look at this part and below it.",
            )
        )
    return out


def _fits_phase(part: Part, phase: Phase | None) -> str:
    rate = part.wets.get(phase, 0.0) if phase else 0.0
    said = f"it leaks {'most' if rate >= 0.99 else 'also' if rate > 0.2 else 'little'} in {phase}, when the water came"
    if rate <= 0.2:
        said += f" (most in {max(part.wets, key=lambda p: part.wets[p])})"
    return said
