"""Posterior over the layout's parts: prior × likelihood of all pads and phases together.

A pad is wet once the water that came down, Q times the part's integrated inflow, passes a threshold
that grows with the distance from where it lands: one formula for first arrival, order and spacing
of the pads, dry pads as censored evidence, and that a trickle never reaches a far pad. The rate Q
is unknown over decades and summed out; so are the delay, the rates and how far water runs downhill.
Growth of wetness after the onset counts a little.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import logsumexp

from soaktest.analysis.events import PadEvent, PadTrack
from soaktest.analysis.exposure import STEP_S, Inflow, inflow_of, normal_integral, phase_steps, water_level
from soaktest.analysis.series import Floats, PhaseTrack
from soaktest.layouts import Layout, Pad, Part
from soaktest.vocabulary import PHASES, ZONES, Zone

RATES_ML_S = np.geomspace(0.1 / 60, 100 / 60, 15)
"""Leak rates tried, ml/s: 0.1 to 100 ml/min, even on a log scale."""
FIRST_ML = 0.08
"""On a pad right under the part about one drop counts."""
FILM_ML_MM2 = 0.0012
"""Millilitres held by a square millimetre of floor on the way to a pad at that distance (about pi/2 x 0.7 mm)."""
THRESHOLD_SPREAD = 1.2
"""Spread of the log of that threshold: floors differ."""
RUN_MM_PER_RAD = np.array([500.0, 1500.0, 2500.0, 3500.0, 4500.0, 6000.0])
"""How far water runs along the base for a tilt: unknown, so several are tried."""
UNKNOWN_SHIFT_MM = np.array([-90.0, -45.0, 0.0, 45.0, 90.0])
ASIDE_MM = 30.0
"""Water leaves the base so far to either side of where it leaked, by ribs and seams."""
_UNKNOWN_LOG = np.log(np.array([0.1, 0.2, 0.4, 0.2, 0.1]))
GIVES_WAY = 0.7
"""Chance that a part does not leak from the beginning, but gives way at some moment of the run."""
BEFORE_S = (2.0, 8.0, 20.0, 50.0, 120.0, 300.0, 700.0)
"""Edges of the spans before the first wet pad in which it may have given way."""
GROWTH_LOOKS = 3.0
"""What the growth after the onset is worth, in independent looks, the rates being tried widely."""
GROWTH_MOST = 15.0
"""Log likelihood beyond which the growth of one pad says no more: no model of it is as good as that."""
GROWTH_BESIDE = 0.4
"""Share of the mean growth that may come at any time: pads soak on, and trays drip on, when a part has stopped."""
SOAKED_OVER = 1.3
"""A soaked pad conducts about so much more than the most that was seen: as it fills, its growth slackens, and the leak does not."""
WATER_POWER = 1.25
"""Water on a pad goes with this power of its conductance: tracks that are wet already gain little more."""
SHARPEN = 1.6
"""Delays and rates are tried wider than machines are; the phase is surer than their plain mixture says."""
LAYOUT_TRUST = 0.5
"""Power of the layout's shares of leaks, which are somebody's guess; what a workshop has confirmed counts in full."""
SURER = 1.3
"""Power of the likelihood: all that is unknown is tried wider than machines are, so parts are told apart better than it says."""
FLAT_PHASE = 0.05
"""Share of the phase's chances spread over all that had been by then: water stands in trays and laggings, and takes ways of its own."""
FLAT = 0.03
"""Share of the posterior spread evenly: layouts are not the machine."""


@dataclass(frozen=True, slots=True)
class Arrivals:
    """What the pads saw, reduced: first leak event of each wet pad, and until when dry ones were watched."""

    wet: dict[Zone, PadEvent]
    dry: tuple[Zone, ...]
    until: float


@dataclass(frozen=True, slots=True)
class PartFit:
    """One part against the evidence; ``log_likelihood`` sums over all that is unknown."""

    part: Part
    log_likelihood: float
    inflow: Inflow
    variant_weight: Floats
    """Posterior weight of each inflow variant, shape (variants,)."""


def fit_parts(
    arrivals: Arrivals,
    pads: Mapping[Zone, PadTrack],
    phases: PhaseTrack,
    layout: Layout,
    tilt_rad: float | None,
) -> list[PartFit]:
    """The likelihood of the evidence for every part of the layout."""
    t, probability = phase_steps(phases)
    level = water_level(probability)
    growth = {zone: _growth(pads[zone], event, t) for zone, event in arrivals.wet.items()}
    fits = []
    for part in layout.parts:
        inflow = inflow_of(part, t, probability, level)
        per_variant = inflow.log_weight + _arrival_log_likelihood(part, inflow, arrivals, layout, tilt_rad)
        for measured in growth.values():
            per_variant = per_variant + _growth_log_likelihood(inflow, measured)
        total = float(logsumexp(per_variant))
        fits.append(PartFit(part, total, inflow, np.exp(per_variant - logsumexp(per_variant))))
    return fits


def posterior(
    fits: list[PartFit], priors: Mapping[str, float] | None, earlier: Mapping[str, float] | None = None
) -> dict[str, float]:
    """Probabilities by part id, summing to 1, with a little spread evenly.

    ``earlier`` are log likelihoods by part id of earlier runs of the same unrepaired unit, added up.
    """
    prior = np.array([(priors or {}).get(fit.part.id, fit.part.prior**LAYOUT_TRUST) for fit in fits])
    before = earlier or {}
    evidence = np.array([fit.log_likelihood + before.get(fit.part.id, 0.0) for fit in fits])
    logs = np.log(np.maximum(prior / prior.sum(), 1e-6)) + SURER * evidence
    share = np.exp(logs - logsumexp(logs))
    share = (1 - FLAT) * share + FLAT / len(fits)
    return {fit.part.id: float(p) for fit, p in zip(fits, share, strict=True)}


def _shifts(tilt_rad: float | None) -> tuple[Floats, Floats]:
    """How far the water runs sideways before it lands, mm, and log weights."""
    if tilt_rad is None:
        return UNKNOWN_SHIFT_MM, _UNKNOWN_LOG
    run = np.clip(RUN_MM_PER_RAD * tilt_rad, -250.0, 250.0)
    places = (run[:, None] + np.array([-ASIDE_MM, 0.0, ASIDE_MM])).ravel()
    return places, np.tile(np.log(np.array([0.25, 0.5, 0.25]) / len(run)), len(run))


def _arrival_log_likelihood(
    part: Part, inflow: Inflow, arrivals: Arrivals, layout: Layout, tilt_rad: float | None
) -> Floats:
    """Log likelihood of the pads' arrivals per inflow variant; rate, run and start summed out; shape (variants,)."""
    shifts, weights = _shifts(tilt_rad)
    starts, start_weights = _starts(inflow, arrivals)
    x = part.x_mm + shifts
    score = start_weights[:, None, None, None] + np.zeros(
        (1, len(inflow.log_weight), len(RATES_ML_S), len(x))
    )
    score = score + weights
    for zone, event in arrivals.wet.items():
        threshold = np.log(_threshold(layout.pad(zone), x, part.y_mm))
        half = max((event.onset_high - event.onset_low) / 2, STEP_S) + STEP_S
        before = _chance(inflow, starts, event.onset - half, threshold)
        after = _chance(inflow, starts, event.onset + half, threshold)
        score = score + np.log(np.maximum(after - before, 1e-7) / (2 * half / STEP_S))
    for zone in arrivals.dry:
        threshold = np.log(_threshold(layout.pad(zone), x, part.y_mm))
        score = score + np.log(np.maximum(1.0 - _chance(inflow, starts, arrivals.until, threshold), 1e-4))
    out: Floats = logsumexp(score, axis=(0, 2, 3)) - np.log(len(RATES_ML_S))
    return out


def _starts(inflow: Inflow, arrivals: Arrivals) -> tuple[Floats, Floats]:
    """Volumes let down before the part began to leak, shape (starts, variants), and log weights of the starts.

    A part leaks from the run's beginning, or gives way at some moment, any as likely as another; of
    those only the ones shortly before the first pad was wet can matter.
    """
    t, first = inflow.t, min((event.onset for event in arrivals.wet.values()), default=arrivals.until)
    length = max(float(t[-1] - t[0]), 1.0)
    volumes, weights = [np.zeros(len(inflow.log_weight))], [1.0 - GIVES_WAY]
    for near, far in pairwise(BEFORE_S):
        at = first - np.sqrt(near * far)
        if int((at - t[0]) / STEP_S) < 0:
            break
        volumes.append(inflow.volume(at))
        weights.append(GIVES_WAY * (far - near) / length)
    return np.array(volumes), np.log(np.array(weights))


def _threshold(pad: Pad, x_mm: Floats, y_mm: float) -> Floats:
    """Millilitres on the floor before this pad counts, for water that lands at each x."""
    across = np.maximum(np.abs(x_mm - pad.x_mm) - pad.width_mm / 2, 0.0)
    along = max(abs(y_mm - pad.y_mm) - pad.depth_mm / 2, 0.0)
    out: Floats = FIRST_ML + FILM_ML_MM2 * (across**2 + 0.25 * along**2)
    return out


def _chance(inflow: Inflow, starts: Floats, at: float, log_threshold: Floats) -> Floats:
    """Chance that the threshold was passed by ``at``; shape (starts, variants, rates, shifts)."""
    water = np.log(np.maximum(inflow.volume(at) - starts, 1e-9))[:, :, None] + np.log(RATES_ML_S)
    return normal_integral((water[..., None] - log_threshold) / THRESHOLD_SPREAD)


def _growth(track: PadTrack, event: PadEvent, t: Floats) -> Floats:
    """Share of the water that came after the onset in each step of the grid; sums to 1.

    A pad's conductance grows a little less than in proportion to the water on it, and slackens as it soaks.
    """
    inside = (track.t >= event.onset) & (track.t <= (event.end or np.inf))
    out = np.zeros(len(t))
    if inside.sum() < 30:
        return out
    siemens = np.maximum.accumulate(10.0 ** track.log_g[inside])
    water = (siemens / (1.0 - siemens / (SOAKED_OVER * siemens[-1]))) ** WATER_POWER
    gain = np.diff(water, prepend=water[0])
    index = np.clip(((track.t[inside] - t[0]) / STEP_S).astype(int) + 1, 0, len(t) - 1)
    out += np.bincount(index, weights=gain, minlength=len(t))
    total = out.sum()
    return out / total if total > 0 else out


def _growth_log_likelihood(inflow: Inflow, measured: Floats) -> Floats:
    """Cross-entropy of the measured growth under each variant's inflow, in coarse bins; shape (variants,)."""
    if measured.sum() <= 0:
        return np.zeros(len(inflow.log_weight))
    begin = int(np.argmax(measured > 0))
    width = int(60 / STEP_S)
    bins = max((len(measured) - begin) // width, 1)
    stop = min(begin + bins * width, len(measured))
    if stop - begin < width:
        return np.zeros(len(inflow.log_weight))
    seen = measured[begin:stop].reshape(bins, -1).sum(axis=1)
    flow = inflow.flow(begin, bins, width)
    share = (flow + GROWTH_BESIDE * flow.mean(axis=1, keepdims=True) + 1e-9) / (
        (1.0 + GROWTH_BESIDE) * flow.sum(axis=1, keepdims=True) + 1e-9
    )
    out: Floats = GROWTH_LOOKS * (np.log(np.maximum(share, 1e-6)) @ seen - float(np.log(1 / bins)))
    return np.clip(out, -GROWTH_MOST, GROWTH_MOST)


def release_phase(
    fits: list[PartFit], chance: Mapping[str, float], event: PadEvent, first: PadEvent
) -> dict[str, float]:
    """In which phase the water that reached the pad at its onset was let out; sums to 1.

    For the first pad what was coming down just then; for later ones also all that came since.
    """
    total = np.zeros(len(PHASES))
    for fit in fits:
        t = fit.inflow.t
        at = int(np.clip((event.onset - t[0]) / STEP_S + 1, 0, len(t) - 1))
        back = max(at - int(16 / STEP_S), 0)
        now = fit.inflow.by_phase(back, at + 1)
        if event is not first:
            since = int(np.clip((first.onset - t[0]) / STEP_S, 0, at))
            now = now / np.maximum(now.sum(axis=1, keepdims=True), 1e-12)
            come = fit.inflow.by_phase(since, at + 1)
            now = 0.5 * now + 0.5 * come / np.maximum(come.sum(axis=1, keepdims=True), 1e-12)
        share = now / np.maximum(now.sum(axis=1, keepdims=True), 1e-12)
        total += chance[fit.part.id] * (fit.variant_weight @ share)
    total = total**SHARPEN
    been = total > 1e-6 * total.max()
    idle = PHASES.index("idle")
    been[idle] = total[idle] >= total.max()  # no water is let out in it but by what stands under pressure
    total = (1 - FLAT_PHASE) * total / max(total.sum(), 1e-12) + FLAT_PHASE * been / been.sum()
    return {phase: float(p) for phase, p in zip(PHASES, total, strict=True)}


def first_leaks(
    events: Mapping[Zone, list[PadEvent]], until: float, heard: Mapping[Zone, PadTrack]
) -> Arrivals:
    """Reduce leak events to the first of each pad; pads that were heard and stayed dry are evidence too."""
    wet = {zone: min(found, key=lambda e: e.onset) for zone, found in events.items() if found}
    dry = tuple(
        z for z in ZONES if z not in wet and len(heard[z].t) and heard[z].state in ("sound", "unproven")
    )
    return Arrivals(wet, dry, until)
