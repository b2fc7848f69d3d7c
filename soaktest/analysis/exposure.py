"""When each part's water would reach the floor: its rate by phase, delayed and spread.

On a coarse grid of ``STEP_S`` seconds. The delay from part to floor is log-normal about the layout's
typical delay, broad, since every machine differs; it is also tried shorter and longer, for water may
stand in a tray or in the lagging first. Rates are tried as the layout gives them, sharpened and
flattened, and each of those off by chance from phase to phase: one seal leaks in a spin alone,
another wherever there is water. All is linear in the rates, so each delay is convolved once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import hadamard

from soaktest.analysis.series import Floats, PhaseTrack
from soaktest.layouts import Part
from soaktest.vocabulary import PHASES

STEP_S = 4.0
DELAY_SPREAD = 0.6
"""Spread (standard deviation of the log) of the delay from drop to drop."""
USUAL = 1.0
DELAY_FACTORS = {0.4: 0.27, USUAL: 0.43, 3.0: 0.22, 8.0: 0.08}
"""Times the layout's delay, and how often."""
RATE_POWERS = {8.0: 0.1, 2.0: 0.25, 1.0: 0.4, 0.4: 0.25}
"""Powers that the layout's rates are raised to, and how often."""
OFF_LOG = 0.5
"""Spread of the log of a part's rate in one phase: machines and faults differ."""
OFF_SIGNS = hadamard(8)[:, 1:]
"""Eight sets of seven phases, each up or down: any two phases are off in all four ways equally often (Plackett and Burman 1946)."""
ONE_PHASE = 0.15
"""How often a part leaks in one alone of the phases it is known for: hot only, or with the drum at speed."""
KNOWN_RATE = 0.2
"""From this rate on a part is known for leaking in a phase."""
FILL_S, DRAIN_S = 90.0, 40.0
"""About how long a tub takes to fill and to drain."""
LEAST_TO_TUMBLE = 0.3
"""Water in the tub without which no drum tumbles for long."""
SEEP = 0.3
"""Share of its rate at which a part of the tub leaks with hardly any water behind it."""
FED_BY_VALVE = 0.6
"""A part with at least this rate in fill, and less in wash, is fed by the valve, not by the tub."""
LEAST_RATE = 0.01
"""Relative rate in a phase that the layout does not name."""
DRY = 1e-3
"""Share of its rate at which a part leaks before any water was let in: phases are known to some seconds."""


@dataclass(frozen=True, slots=True)
class Inflow:
    """Water on the floor for a part of unit rate, in variants: every delay with every set of rates.

    ``delayed`` (delays, 7, steps) is each phase's own time at the floor at full rate, by the delays tried;
    ``rates`` (sets, 7) are the rates tried, ``log_weight`` (variants,) how often delay and rates are so.
    ``come`` (delays, 7, steps) is the integral of ``delayed`` in seconds.
    """

    t: Floats
    delayed: Floats
    rates: Floats
    log_weight: Floats
    come: Floats

    @property
    def usual(self) -> Floats:
        """``come`` at the part's usual delay: each phase's own time at the floor until then, shape (7, steps)."""
        out: Floats = self.come[list(DELAY_FACTORS).index(USUAL)]
        return out

    def volume(self, at: float) -> Floats:
        """Water come down by ``at`` (UTC), in seconds at unit rate; shape (variants,)."""
        i = int(np.clip((at - self.t[0]) / STEP_S, -1, len(self.t) - 1))
        out: Floats = (
            (self.come[:, :, i] @ self.rates.T).ravel() if i >= 0 else np.zeros(len(self.log_weight))
        )
        return out

    def flow(self, begin: int, bins: int, width: int) -> Floats:
        """Sums of the flow in bins of ``width`` steps from step ``begin`` on; shape (variants, bins)."""
        part = self.delayed[:, :, begin : begin + bins * width]
        binned = part.reshape(*part.shape[:2], bins, width).sum(axis=3)
        out: Floats = np.einsum("dpb,rp->drb", binned, self.rates).reshape(-1, bins)
        return out

    def by_phase(self, begin: int, end: int) -> Floats:
        """Water that came down in steps ``begin`` to ``end`` - 1, by the phase that let it out; shape (variants, 7)."""
        own = self.delayed[:, :, begin:end].sum(axis=2)
        out: Floats = (own[:, None, :] * self.rates).reshape(-1, len(PHASES))
        return out

    def expected(self, weight: Floats) -> Floats:
        """Volume come down as time goes on, in the mean over variants of that weight; shape (steps,)."""
        share = weight.reshape(len(self.delayed), len(self.rates)) @ self.rates
        out: Floats = np.einsum("dp,dps->s", share, self.come)
        return out


def phase_steps(phases: PhaseTrack) -> tuple[Floats, Floats]:
    """Grid times (UTC, end of each step) and phase probabilities, shape (7, steps).

    Half the tempered posterior, half the decoded path: the posterior of single seconds knows no order, and let
    water out in a spin that had not been yet.
    """
    width = int(STEP_S)
    steps = max(len(phases.best) // width, 1)
    path = np.zeros_like(phases.probability)
    path[np.arange(len(path)), phases.best] = 1.0
    mixed = 0.5 * (phases.probability + path)
    part = mixed[: steps * width]
    if len(part) < width:
        part = np.repeat(mixed[:1], width, axis=0)
    means: Floats = part.reshape(steps, width, len(PHASES)).mean(axis=1).T
    ends: Floats = phases.t0 + STEP_S * np.arange(1, steps + 1, dtype=np.float64)
    return ends, means


def inflow_of(part: Part, t: Floats, probability: Floats, level: Floats) -> Inflow:
    """Convolve a part's exposure with its delay, once per delay.

    ``probability`` (7, steps) is that of the phases, ``level`` (steps,) their :func:`water_level`, one for all parts.
    """
    if part.wets.get("idle", 0.0) == 0.0:  # only what stands under mains pressure wets before water is let in
        probability = probability * np.maximum(_let_in(probability, level), DRY)
    if part.wets.get("fill", 0.0) < max(FED_BY_VALVE, part.wets.get("wash", 0.0)):
        probability = probability * (SEEP + (1 - SEEP) * np.minimum(1.0, level / 0.3))
    kept: list[Floats] = []
    for factor in DELAY_FACTORS:
        kernel = _kernel(max(part.delay_s, 2.0) * factor, probability.shape[1])
        kept.append(np.stack([np.convolve(row, kernel)[: len(row)] for row in probability]))
    delayed = np.stack(kept)
    rates, log_weight = _rates_of(part)
    delays = np.log(np.array(list(DELAY_FACTORS.values())))
    weights: Floats = (delays[:, None] + log_weight).ravel()
    return Inflow(t, delayed, rates, weights, np.cumsum(delayed, axis=2) * STEP_S)


def _let_in(probability: Floats, level: Floats) -> Floats:
    """How surely water had been let in by each step, shape (steps,): a first fill may have been heard as something else."""
    working = 1.0 - probability[PHASES.index("idle")] - probability[PHASES.index("drain")]
    out: Floats = np.maximum.accumulate(np.where(level > 0.02, 1.0, np.clip(working, 0.0, 1.0) ** 2))
    return out


def _rates_of(part: Part) -> tuple[Floats, Floats]:
    """Rates by phase that this part may have, shape (sets, 7), and the logs of how often."""
    named = np.array([part.wets.get(phase, 0.0) for phase in PHASES])
    off = np.exp(OFF_LOG * OFF_SIGNS)
    sets = [np.maximum(named**power, LEAST_RATE) * off for power in RATE_POWERS]
    often = [np.full(len(off), (1 - ONE_PHASE) * share / len(off)) for share in RATE_POWERS.values()]
    known = np.flatnonzero(named >= KNOWN_RATE)
    alone = np.where(np.eye(len(PHASES))[known] > 0, 1.0, LEAST_RATE)
    often.append(np.full(len(known), ONE_PHASE / max(len(known), 1)))
    share = np.concatenate(often)
    return np.concatenate([*sets, alone]), np.log(share / share.sum())


def water_level(probability: Floats) -> Floats:
    """Water in the tub, 0 to 1, from the phases: up in a fill, down in a drain or spin; shape (steps,).

    A run that begins in mid-wash begins with water in the tub; a drum that tumbles in none was filled unheard just before.
    """
    up = probability[PHASES.index("fill")] * STEP_S / FILL_S
    down = (probability[PHASES.index("drain")] + probability[PHASES.index("spin")]) * STEP_S / DRAIN_S
    with_water = [PHASES.index(p) for p in ("wash", "heat", "rinse")]
    level = 1.0 if probability[with_water, 0].sum() > 0.5 else 0.0
    out = np.empty(len(up))
    tumbles = (probability[with_water].sum(axis=0) > 0.5).tolist()
    unheard = int(FILL_S / STEP_S)
    for i, change in enumerate((up - down).tolist()):
        level = min(max(level + change, 0.0), 1.0)
        if tumbles[i] and level < LEAST_TO_TUMBLE:
            level = LEAST_TO_TUMBLE
            out[max(i - unheard, 0) : i] = np.maximum(out[max(i - unheard, 0) : i], level)
        out[i] = level
    return out


def normal_integral(z: Floats) -> Floats:
    """Close to the normal integral (within 0.02), at less than half its price; the array is used up."""
    z *= 0.8
    np.tanh(z, out=z)
    z += 1.0
    z *= 0.5
    return z


def _kernel(median_s: float, steps: int) -> Floats:
    """Log-normal delay, cut at six medians, sums to 1."""
    n = int(min(max(6 * median_s / STEP_S, 3), steps))
    edges = np.arange(n + 1) * STEP_S
    z = (np.log(np.maximum(edges, 1e-3)) - np.log(median_s)) / DELAY_SPREAD
    kernel = np.diff(normal_integral(z))
    out: Floats = kernel / max(kernel.sum(), 1e-9)
    return out
