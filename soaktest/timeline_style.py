"""One place for how phases and zones look. Names and patterns carry the meaning, colour only helps.

Colours are from the Okabe-Ito set, which most colour-blind people can tell apart.
"""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import TYPE_CHECKING, Any, NamedTuple

from soaktest.findings import Findings
from soaktest.layouts import Layout
from soaktest.vocabulary import NOT_TELLING, ZONES, PadState, Phase, Zone

if TYPE_CHECKING:
    import plotly.graph_objects as go


class PhaseLook(NamedTuple):
    """Fill colour and hatching of a phase's band."""

    colour: str
    pattern: str


PHASE_LOOKS: dict[Phase, PhaseLook] = {
    "idle": PhaseLook("#d5d9dd", ""),
    "fill": PhaseLook("#56b4e9", "/"),
    "wash": PhaseLook("#a6d3a0", ""),
    "heat": PhaseLook("#e69f00", "x"),
    "rinse": PhaseLook("#b9e3da", "."),
    "drain": PhaseLook("#cc9ac0", "\\"),
    "spin": PhaseLook("#f0e442", "|"),
}
ZONE_LOOKS: dict[Zone, tuple[str, str]] = {
    "left": ("#0072b2", "solid"),
    "centre": ("#009e73", "dash"),
    "right": ("#d55e00", "dot"),
}
PAD_WORDS: dict[PadState, str] = {
    "sound": "dry",
    "unproven": "dry, unproven",
    "open": "broken lead",
    "short": "shorted",
    "stuck": "never moves",
    "silent": "not heard",
    "drifting": "wanders",
    "wet": "wet from the start",
}
"""What is said of a pad that no water has wetted."""
NUMBERED = 3
"""So many of the likeliest parts have a number, the same in the drawing of the floor and in every list."""


def quiet_axes(figure: go.Figure) -> None:
    """Grid and zero lines that are seen on white and on black, and outshine no line on either."""
    look: dict[str, Any] = {"gridcolor": "rgba(128,128,128,.35)", "zerolinecolor": "rgba(128,128,128,.6)"}
    figure.update_xaxes(**look)
    figure.update_yaxes(**look)


def floor_plan(layout: Layout, findings: Findings, told: Callable[[float], str]) -> str:
    """The floor from above as inline SVG: pads with their state, the place found, the likeliest parts.

    ``told`` says a time (UTC seconds) by the clock of the run.
    """
    w, d = layout.width_mm, layout.depth_mm
    water = [event for event in findings.wet_events if event.cause != "fault"]
    wet = {event.zone: event for event in reversed(water)}  # each pad's first
    in_part = any(reason.code in ("gap", "coverage") for reason in findings.reasons)
    out = [
        f'<svg viewBox="-10 -74 {w + 20:.0f} {d + 134:.0f}" role="img" aria-label="{escape(_said(findings))}" '
        'font-family="system-ui, sans-serif" fill="currentColor">',
        f'<rect x="0" y="0" width="{w}" height="{d}" rx="18" fill="none" stroke="currentColor" stroke-width="3"/>',
        f'<text x="{w / 2}" y="26" text-anchor="middle" font-size="20">back</text>',
        f'<text x="{w / 2}" y="{d + 26}" text-anchor="middle" font-size="20">front</text>',
    ]
    for zone in ZONES:
        pad = layout.pad(zone)
        x, y = pad.x_mm - pad.width_mm / 2, d - pad.y_mm - pad.depth_mm / 2
        colour = ZONE_LOOKS[zone][0]
        event = wet.get(zone)
        level = max(event.peak_wetness, 0.08) * pad.depth_mm if event else 0.0
        out.append(
            f'<rect x="{x}" y="{y}" width="{pad.width_mm}" height="{pad.depth_mm}" fill="none" stroke="{colour}" stroke-width="4"/>'
        )
        if event:
            out.append(
                f'<pattern id="wet-{zone}" width="14" height="14" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
                f'<rect width="14" height="14" fill="{colour}" opacity="0.25"/><rect width="5" height="14" fill="{colour}" opacity="0.6"/></pattern>'
                f'<rect x="{x}" y="{y + pad.depth_mm - level:.0f}" width="{pad.width_mm}" height="{level:.0f}" fill="url(#wet-{zone})"/>'
            )
        tells = bool(event) or findings.pads[zone].state not in NOT_TELLING
        if not tells:  # crossed out: an empty frame would look dry
            right, down = x + pad.width_mm, y + pad.depth_mm
            out.append(
                f'<path d="M{x} {y}L{right} {down}M{right} {y}L{x} {down}" stroke="{colour}" stroke-width="4"/>'
            )
        word = PAD_WORDS[findings.pads[zone].state]
        state = (
            f"{told(event.onset)}, {_wet_in_words(event.peak_wetness)}"
            if event
            else f"{word} while heard"
            if in_part and word == "dry"
            else word
        )
        middle = pad.x_mm
        out.append(  # outside the machine, where no part's number covers it
            f'<text x="{middle}" y="-44" text-anchor="middle" font-size="26" font-weight="600">{zone}</text>'
        )
        out.append(
            f'<text x="{middle}" y="-16" text-anchor="middle" font-size="{22 if len(state) < 12 else 17}" font-weight="{400 if tells else 700}">{escape(state)}</text>'
        )
    place = findings.location
    if place:
        y = d + 44
        out.append(
            f'<line x1="{place.low_mm}" x2="{place.high_mm}" y1="{y}" y2="{y}" stroke="currentColor" stroke-width="6"/>'
        )
        out.append(f'<path d="M{place.x_mm} {y - 14} l11 14 l-11 14 l-11 -14z"/>')
    for number, suspect in enumerate(findings.suspects[:NUMBERED], 1):
        part = next(p for p in layout.parts if p.id == suspect.part)
        cx, cy = min(max(part.x_mm, 16), w - 16), d - part.y_mm
        out.append(f'<circle cx="{cx}" cy="{cy}" r="16" fill="#ffffff" stroke="#1b1f23" stroke-width="3"/>')
        out.append(
            f'<text x="{cx}" y="{cy + 8}" text-anchor="middle" font-size="22" font-weight="700" fill="#1b1f23">{number}</text>'
        )
    out.append("</svg>")
    return "".join(out)


def _wet_in_words(wetness: float) -> str:
    return f"wet {100 * wetness:.0f} %" if wetness >= 0.05 else "wet"


def place_in_words(findings: Findings) -> str:
    """Where the water came out, as the mark before the front edge shows it; empty where that is not known."""
    place = findings.location
    if place is None:
        return ""
    return f"water came out about here, {place.x_mm:.0f} mm from the left ({place.low_mm:.0f} to {place.high_mm:.0f})"


def _said(findings: Findings) -> str:
    wet = [event.zone for event in findings.wet_events if event.cause != "fault"]
    place = place_in_words(findings)
    return (f"Wet pads: {', '.join(sorted(set(wet)))}" if wet else "No pad was wet") + (
        place and f"; {place}"
    )
