"""How fast water reached a pad, by the phase that let it out.

The growth of linear conductance after the onset is written as a sum over phases of a rate times the
phase's exposure, delayed as the part's water is; the rates are found by non-negative least squares
(Lawson and Hanson 1974, ``scipy.optimize.nnls``).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from scipy.optimize import nnls

from soaktest.analysis.conductance import SOAKED_S
from soaktest.analysis.events import PadEvent, PadTrack
from soaktest.analysis.series import Floats
from soaktest.analysis.suspects import PartFit
from soaktest.findings import Amount
from soaktest.vocabulary import PHASES, Phase

BIN_S: Final = 20.0
LEAST_BINS: Final = 3
LEAST_EXPOSURE_S: Final = 20.0
SOAKED_SHARE: Final = 0.3
"""From this share of a soaked pad's conductance on, growth no longer follows the water."""


def rates_by_phase(
    track: PadTrack, event: PadEvent, fits: list[PartFit], chance: Mapping[str, float]
) -> dict[Phase, Amount]:
    """Millilitres a minute onto the pad while each phase let water out: low, best, high.

    Phases with less than ``LEAST_EXPOSURE_S`` of exposure, and those without a share in the growth,
    are left out. Empty where the pad was soaked at once or dried within a minute.
    """
    siemens = _growth(track, event)
    if siemens is None or not fits:
        return {}
    gained, begin, bins = siemens
    exposure = _exposure(fits, chance, begin, bins)
    seen = exposure.sum(axis=1) >= LEAST_EXPOSURE_S
    if not seen.any():
        return {}
    rates, _ = nnls(exposure[seen].T, gained)
    low, best, high = (60.0 * rates / g for g in reversed(track.siemens_per_ml))
    names = [phase for phase, kept in zip(PHASES, seen, strict=True) if kept]
    least = 0.02 * float(rates.max())
    return {
        name: Amount(low=_round(low[i]), best=_round(best[i]), high=_round(high[i]))
        for i, name in enumerate(names)
        if rates[i] > least
    }


def _growth(track: PadTrack, event: PadEvent) -> tuple[Floats, float, int] | None:
    """Siemens gained in each bin after the onset, when the first begins, and how many there are."""
    inside = (track.t >= event.onset) & (track.t <= (event.end or np.inf))
    t, siemens = track.t[inside], 10.0 ** track.log_g[inside]
    full = np.flatnonzero(siemens > SOAKED_SHARE * SOAKED_S)
    if len(full):
        t, siemens = t[: full[0]], siemens[: full[0]]
    bins = int((t[-1] - event.onset) // BIN_S) if len(t) else 0
    if bins < LEAST_BINS:
        return None
    held = np.maximum.accumulate(siemens)
    edges = event.onset + BIN_S * np.arange(bins + 1)
    at = np.interp(edges, t, held)
    at[0] = 10.0 ** float(np.interp(event.onset, track.t, track.dry))
    return np.maximum(np.diff(at), 0.0), event.onset, bins


def _exposure(fits: list[PartFit], chance: Mapping[str, float], begin: float, bins: int) -> Floats:
    """Seconds of each phase's water arriving in each bin, shape (7, bins), of the likeliest part."""
    fit = max(fits, key=lambda f: chance[f.part.id])
    edges = begin + BIN_S * np.arange(bins + 1)
    at = np.stack([np.interp(edges, fit.inflow.t, row) for row in fit.inflow.usual])
    out: Floats = np.diff(at, axis=1)
    return out


def _round(x: float) -> float:
    return float(f"{x:.3g}")
