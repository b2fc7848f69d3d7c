"""Water that comes onto a pad that is damp already: a second rise, of one pad's own, upon one that all pads share."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from soaktest.analysis.conductance import wetness
from soaktest.analysis.events import PadEvent, PadTrack
from soaktest.analysis.series import Floats, PadWiring
from soaktest.analysis.shared_rise import share_rises
from soaktest.vocabulary import Zone

DAMP: Final = 0.4
"""Share of a rise that the other pads show too, from which on it is damp air's, or may be."""
SETTLED_S, SETTLED = 60, 0.06
"""Once a film of damp grows by no more decades in so many seconds, what is steeper upon it is water."""
OWN_RISE: Final = 0.3
"""Decades (a doubling) that water adds on top at the least: damp that gathers into drops adds less."""
OWN: Final = 0.4
"""Share of that second rise that the others may show."""
STEEP_S: Final = 300.0
"""Seconds from 10 to 90 % of it at the most: a film grows for longer."""


def wetted_while_damp(
    tracks: Mapping[Zone, PadTrack],
    wiring: Mapping[Zone, PadWiring],
    seek: Callable[[Zone, Floats, Floats], list[PadEvent]],
) -> dict[Zone, PadTrack]:
    """The tracks again; an event that all pads share ends where a rise of the pad's own begins upon it, which is an event too.

    ``seek`` finds the events in a zone's times and log10 siemens, shape (seconds,), with the level at their beginning for its dry one.
    """
    out = dict(tracks)
    for zone, track in tracks.items():
        damp = track.events[-1] if track.events else None
        if damp is None or damp.at_start or damp.end is not None or damp.shared < DAMP:
            continue
        begin = _settled(track, damp.onset)
        if begin is None:
            continue
        others = [other for other in tracks.values() if other is not track and len(other.t)]
        alone = track.log_g[begin:] - _grown(track.t[begin:], others)
        own = [event for event in seek(zone, track.t[begin:], alone) if event.rise >= OWN_RISE]
        tried = share_rises({**tracks, zone: replace(track, events=tuple(own))}, wiring)[zone].events
        kept = [event for event in tried if event.shared < OWN and event.smooth_s <= STEEP_S]
        if kept:
            before = _until(track, damp, kept[0].onset)
            level = track.dry.copy()  # what comes is counted upon what was there
            for event in kept:
                at = int(np.searchsorted(track.t, event.onset))
                level[at:] = np.median(track.log_g[max(at - 10, 0) : max(at - 2, 1)])
            out[zone] = replace(track, dry=level, events=(*track.events[:-1], before, *kept))
    return out


def _grown(t: Floats, others: list[PadTrack]) -> Floats:
    """How much each second's damp has grown since the first by what all the other pads show, shape as ``t``."""
    grown = [np.interp(t, other.t, other.log_g) for other in others]
    least: Floats = np.min([x - x[0] for x in grown], axis=0) if grown else np.zeros(len(t))
    return np.maximum(least, 0.0)


def _until(track: PadTrack, event: PadEvent, end: float) -> PadEvent:
    """An event that ends where the next begins, with the rise that it had by then."""
    begin, stop = np.searchsorted(track.t, (event.onset, end))
    level = float(track.log_g[begin:].max()) - event.rise
    top = float(track.log_g[begin : max(stop, begin + 1)].max())
    return replace(event, end=end, rise=top - level, peak_wetness=wetness(top, level))


def _settled(track: PadTrack, onset: float) -> int | None:
    """Index from which a pad's rise has flattened; None where it goes on to the end."""
    begin = int(np.searchsorted(track.t, onset + SETTLED_S))
    ahead = np.searchsorted(track.t, track.t[begin:] + SETTLED_S)
    inside = ahead < len(track.t)
    growth = track.log_g[ahead[inside]] - track.log_g[begin:][inside]
    flat = np.flatnonzero(growth < SETTLED)
    return begin + int(flat[0]) if len(flat) else None
