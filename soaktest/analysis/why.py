"""Why this phase and why this part: three sentences for a leak's first wet event, two for a later one, and the curves that show it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from soaktest.analysis.analyse import Analysis
from soaktest.analysis.next_wash import choose_next
from soaktest.analysis.series import Floats
from soaktest.analysis.suspects import PartFit
from soaktest.analysis.verdict import place_in_time
from soaktest.findings import WetEvent
from soaktest.layouts import Part
from soaktest.vocabulary import PHASES, ZONES, listed, percent, span_in_words

BEFORE_S: Final = 180.0
AFTER_S: Final = 900.0
LEAST_CHANCE: Final = 0.02


@dataclass(frozen=True, slots=True)
class Curve:
    """Water as a share of what came by the end of the window; ``t`` UTC seconds, same shape as ``share``."""

    name: str
    t: Floats
    share: Floats


@dataclass(frozen=True, slots=True)
class Why:
    """One wet event explained; ``curves`` are what the pad measured, then the likeliest parts' water."""

    event: WetEvent
    phase: str
    part: str
    runner_up: str
    curves: list[Curve]

    @property
    def sentences(self) -> list[str]:
        """Why this phase and why this part; of a leak's first wet event, also what else it may be and how to find out."""
        return [text for text in (self.phase, self.part, self.runner_up) if text]


def explain_events(analysis: Analysis) -> list[Why]:
    """Each wet event of a run, in the findings' order, explained."""
    events = analysis.findings.wet_events
    first = min(
        (event for event in events if event.phase is not None), key=lambda event: event.onset, default=None
    )
    return [_explain(analysis, event, None if event is first else first) for event in events]


def _explain(analysis: Analysis, event: WetEvent, first: WetEvent | None) -> Why:
    """``first`` is the leak's wet event where this is a later one of it: the parts were explained there."""
    if event.phase is None:
        return Why(event, _why_no_leak(analysis, event), "", "", [_measured(analysis, event)])
    chance = {suspect.part: suspect.probability for suspect in analysis.findings.suspects}
    fits = {fit.part.id: fit for fit in analysis.explanation.fits}
    likeliest = [fits[suspect.part] for suspect in analysis.findings.suspects[:2]]
    best, *others = (fit.part for fit in likeliest)  # a layout of one part has no other
    return Why(
        event,
        _why_phase(analysis, event, best),
        _as_before(event, first, best, chance) if first else _why_part(analysis, event, best, chance),
        _what_else(analysis, best, others[0], chance) if others and not first else "",
        [_measured(analysis, event), *(_expected(fit, event) for fit in likeliest)],
    )


def _why_phase(analysis: Analysis, event: WetEvent, part: Part) -> str:
    chances = sorted(event.phase_probability.items(), key=lambda item: -item[1])
    said = (
        f"The {event.zone} pad was first wet {place_in_time(event.onset, analysis.heard)}; water from the {part.name} takes "
        f"about {part.delay_s:.0f} s to the floor, so it was let out in {chances[0][0]} ({percent(chances[0][1])})"
    )
    if len(chances) > 1 and chances[1][1] >= LEAST_CHANCE:
        said += f", else in {chances[1][0]} ({percent(chances[1][1])})"
    return said + "."


def _why_part(analysis: Analysis, event: WetEvent, part: Part, chance: dict[str, float]) -> str:
    first = {e.zone: e.onset for e in reversed(analysis.findings.wet_events) if e.phase is not None}
    begun = min(first.values())
    order = [
        f"the {zone} pad followed after {span_in_words(at - begun)}"
        for zone, at in sorted(first.items(), key=lambda item: item[1])
        if at > begun
    ]
    by_other = {e.zone: e.cause for e in analysis.findings.wet_events if e.zone not in first}
    order += [f"the {zone} pad was wet by {cause}" for zone, cause in sorted(by_other.items())]
    order += [
        f"the {zone} pad stayed dry"
        for zone in ZONES
        if zone not in first and zone not in by_other and len(analysis.pads[zone].t)
    ]
    tail = f"; {listed(order)}" if order else ""
    return (
        f"The {part.name} ({percent(chance[part.id])}) {_how_much(event, part)} and sits {part.x_mm:.0f} mm from the left, by the "
        f"{analysis.layout.zone_at(part.x_mm)} pad{tail}."
    )


def _how_much(event: WetEvent, part: Part) -> str:
    leaks = part.wets.get(event.phase, 0.0) if event.phase else 0.0
    if leaks >= 0.99:
        return f"leaks most in {max(part.wets, key=lambda phase: part.wets[phase])}"
    return f"leaks in {event.phase} at {percent(leaks)} of its worst"


def _as_before(event: WetEvent, first: WetEvent, part: Part, chance: dict[str, float]) -> str:
    """One leak is looked for in a run, so its parts are weighed by all pads together."""
    where = "where it was wet first" if event.zone == first.zone else f"of the {first.zone} pad"
    return (
        f"The {part.name} ({percent(chance[part.id])}) {_how_much(event, part)}; it is suspected for all pads together, and what "
        f"speaks for it, and what else it may be, stands with the words {where}."
    )


def _what_else(analysis: Analysis, best: Part, other: Part, chance: dict[str, float]) -> str:
    said = f"Next likeliest is the {other.name} ({percent(chance[other.id])})"
    gap = {p: other.wets.get(p, 0.0) - best.wets.get(p, 0.0) for p in PHASES}
    telling = max(gap, key=lambda phase: abs(gap[phase]))
    aside = other.x_mm - best.x_mm
    pair = chance[best.id] + chance[other.id]
    weights = dict.fromkeys(chance, 0.0) | {
        best.id: chance[best.id] / pair,
        other.id: chance[other.id] / pair,
    }
    wash = choose_next(weights, analysis.layout)[0]
    if abs(gap[telling]) < 0.15 and abs(aside) < 40:
        return f"{said}, which wets the same place in the same phases: no wash tells the two apart, so look at both."
    differs = []
    if abs(gap[telling]) >= 0.15:
        differs.append(f"leaks {'more' if gap[telling] > 0 else 'less'} in {telling}")
    if abs(aside) >= 40:
        differs.append(f"sits {abs(aside):.0f} mm further {'right' if aside > 0 else 'left'}")
    said += f", which {' and '.join(differs)}"
    if wash.gain_bits < 0.02:
        return f"{said}; no other wash would tell them apart better."
    return f"{said}; to tell the two apart: {wash.title[0].lower()}{wash.title[1:]}. {wash.why}"


def _why_no_leak(analysis: Analysis, event: WetEvent) -> str:
    chances = sorted(event.cause_probability.items(), key=lambda item: -item[1])
    rest = "".join(f", {cause} {percent(chance)}" for cause, chance in chances[1:] if chance >= LEAST_CHANCE)
    return (
        f"The {event.zone} pad was wet {place_in_time(event.onset, analysis.heard)}, most likely by {event.cause} "
        f"({percent(event.cause_probability.get(event.cause, 1.0))}{rest}), so no part is held responsible for it."
    )


def _measured(analysis: Analysis, event: WetEvent) -> Curve:
    track = analysis.pads[event.zone]
    inside = (track.t >= event.onset - BEFORE_S) & (track.t <= event.onset + AFTER_S)
    t = track.t[inside]
    rise = np.maximum(10.0 ** track.log_g[inside] - 10.0 ** track.dry[inside], 0.0)
    most = float(rise.max()) if len(rise) else 0.0
    return Curve(f"{event.zone} pad, measured", t, rise / most if most > 0 else rise)


def _expected(fit: PartFit, event: WetEvent) -> Curve:
    inside = (fit.inflow.t >= event.onset - BEFORE_S) & (fit.inflow.t <= event.onset + AFTER_S)
    volume = fit.inflow.expected(fit.variant_weight)[inside]
    gained = volume - volume[0] if len(volume) else volume
    most = float(gained[-1]) if len(gained) else 0.0
    return Curve(f"{fit.part.name}, expected", fit.inflow.t[inside], gained / most if most > 0 else gained)
