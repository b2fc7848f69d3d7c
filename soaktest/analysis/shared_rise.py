"""How much of a pad's rise the other pads show at the same time, as damp air makes and a leak does not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from soaktest.analysis.conductance import DRY_FLOOR_S
from soaktest.analysis.events import PadEvent, PadTrack
from soaktest.analysis.series import Floats, PadWiring
from soaktest.vocabulary import Zone

CREEP_STEP_S: Final = 20
"""Seconds between the levels compared: creeping takes many minutes."""
ALONE: Final = 0.5
"""Decades that a dry level rises by alone only where the pad is at fault, or where water seeps in too slowly to be told."""
CLEARLY: Final = 1.5
"""Times the rise that a pad surely shows, as on an input of few steps: what is less may be one step of its converter."""
OWN_FLOOR_S: Final = 1e-8
"""Siemens below which a pad's own conductance is not told apart."""


def share_rises(tracks: Mapping[Zone, PadTrack], wiring: Mapping[Zone, PadWiring]) -> dict[Zone, PadTrack]:
    """The tracks again, ``shared`` filled in for every event, and how much each dry level crept up by itself."""
    own = {zone: _own(track, wiring.get(zone, PadWiring())) for zone, track in tracks.items()}
    out = {}
    for zone, track in tracks.items():
        siemens, decades = _crept(track, tracks)
        shared = replace(_with_shared(track, tracks, own), crept_siemens=siemens)
        if (
            decades > max(ALONE, CLEARLY * track.smallest_rise)
            and track.state in ("sound", "unproven")
            and not track.events
            and not track.wet_at_start
        ):
            note = f"the dry level rose by a factor of {10.0**decades:.0f}, and that of no other pad"
            shared = replace(shared, state="drifting", note=note)
        out[zone] = shared
    return out


def _crept(track: PadTrack, tracks: Mapping[Zone, PadTrack]) -> tuple[float, float]:
    """Siemens, and decades, that the followed dry level rose by at the most, where the other pads' did not rise by the same factor."""
    if len(track.t) < 2 * CREEP_STEP_S:
        return 0.0, 0.0
    at = track.t[::CREEP_STEP_S]
    level = track.dry[::CREEP_STEP_S]
    lowest = np.minimum.accumulate(level)
    since = np.maximum.accumulate(np.where(level <= lowest, np.arange(len(level)), 0))
    shared = np.zeros(len(level))
    for zone, other in tracks.items():
        if zone != track.zone and len(other.t):
            theirs = np.interp(at, other.t, other.dry)
            shared = np.maximum(shared, theirs - theirs[since])
    heard = all(len(other.t) for other in tracks.values())  # else nobody knows that it rises alone
    explained = np.minimum(lowest + shared, level)
    risen: Floats = 10.0**level - 10.0**explained
    return float(risen.max()), float((level - explained).max()) if heard else 0.0


def _own(track: PadTrack, wiring: PadWiring) -> Floats:
    """log10 of the pad's own siemens, end-of-line resistor (of 3 % tolerance) taken off; shape as ``log_g``."""
    end = 1.0 / wiring.end_of_line_ohm if wiring.end_of_line_ohm else 0.0
    own = np.maximum(10.0**track.log_g - DRY_FLOOR_S - 0.97 * end, 0.0)
    out: Floats = np.log10(own + max(0.03 * end, OWN_FLOOR_S))
    return out


def _with_shared(track: PadTrack, tracks: Mapping[Zone, PadTrack], own: Mapping[Zone, Floats]) -> PadTrack:
    """Fill in how much of each event's rise the other pads show at the same time.

    Damp air multiplies each pad's own conductance by about the same; so the larger is taken of the
    share in what was read and the share in the pads' own conductance.
    """
    others = [zone for zone, other in tracks.items() if zone != track.zone and len(other.t)]
    events = []
    for event in track.events:
        until = _half_risen(track, event)
        span = (event.onset, until)
        whole = max(_rise_between(track.t, track.log_g, span), 0.25 * event.rise, 1e-6)
        grown = max(_rise_between(track.t, own[track.zone], span), 0.25 * event.rise, 1e-6)
        shares = [
            max(
                _rise_between(tracks[zone].t, tracks[zone].log_g, span) / whole,
                _rise_between(tracks[zone].t, own[zone], span) / grown,
            )
            for zone in others
        ]
        events.append(replace(event, shared=float(np.clip(min(shares), 0.0, 1.0)) if shares else 0.0))
    return replace(track, events=tuple(events))


def _half_risen(track: PadTrack, event: PadEvent) -> float:
    """When half of the rise was reached, at least half a minute after the onset."""
    inside = (track.t >= event.onset) & (track.t <= (event.end or np.inf))
    t, x = track.t[inside], track.log_g[inside]
    if not len(x):
        return event.onset + 30.0
    level = float(x.max()) - event.rise
    return max(float(t[int(np.argmax(x >= level + 0.5 * event.rise))]), event.onset + 30.0)


def _rise_between(t: Floats, x: Floats, span: tuple[float, float]) -> float:
    begin, end = span
    before: NDArray[np.bool_] = (t > begin - 40) & (t < begin - 5)
    after = (t > end - 10) & (t < end + 20)
    if not before.any() or not after.any():
        return 0.0
    return float(np.median(x[after]) - np.median(x[before]))
