"""How good any method could be at naming the part, beside how good ours is: ``python -m tests.accuracy.bound --runs 100``.

Two parts that wet the same place in the same phases cannot be told apart. For each leaking scenario the posterior over
the parts is worked out from the simulator's own distributions, with the true phases, true onsets and the true growth of
the water given: many leaks of each part are drawn as :mod:`tests.accuracy.scenarios` draws them, and weighed by how well
they meet what was seen (approximate Bayesian computation). The analysis then judges the very same runs.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.progress import track
from rich.table import Table
from scipy.special import logsumexp

from soaktest.analysis.analyse import Knowledge, examine
from soaktest.layouts import Layout, Part, read_layout
from soaktest.plans import read_plan
from soaktest.simulate.bench import EPOCH, WETTED_ML, Scenario, run_of_water, simulate
from soaktest.simulate.machine import RATE, Motion
from soaktest.simulate.water import Floor, on_pads, released
from soaktest.vocabulary import PHASES, ZONES
from tests.accuracy.scenarios import PART_OFF_MM, draw, draw_floor, draw_leak

Array = NDArray[np.float64]
DRAWS = 500
"""Leaks tried for each part, each at every rate."""
RATES = np.exp(np.linspace(np.log(0.2), np.log(60.0), 60))
ONSET_S, SHARE = 5.0, 0.1
"""Spreads within which a drawn leak counts as what was seen: onsets, and shares of the water by phase."""
MISSED = -12.0


class Seen(NamedTuple):
    """What a perfect method would know of a run."""

    onsets: dict[str, float]
    shares: Array
    """Of the first wet pad's water after its onset, by phase."""


class Case(NamedTuple):
    """One run: how tilt stands, the truth, and what the best and our method say."""

    kind: str
    best: dict[str, float]
    ours: dict[str, float]
    part: str
    layout: Layout


def case(seed: int) -> Case | None:
    """Both posteriors of one scenario; None where no leak reached a pad, or we found none."""
    scenario = draw(seed)
    if scenario.leak is None:
        return None
    layout = read_layout(scenario.layout)
    recording, truth = simulate(scenario)
    if not truth.first_water:
        return None
    even = Knowledge(priors={part.id: 1.0 for part in layout.parts})  # as the scenarios draw them
    findings = examine(recording, layout, read_plan(scenario.plan), even).findings
    if not findings.suspects or not any(e.cause == "leak" for e in findings.wet_events):
        return None
    tilted = abs(scenario.floor.tilt_across) > 0.002
    kind = "level" if not tilted else "tilt known" if scenario.tilt_told else "tilt unknown"
    ours = {s.part: s.probability for s in findings.suspects}
    return Case(kind, best_posterior(scenario, layout), ours, str(truth.part), layout)


def best_posterior(scenario: Scenario, layout: Layout) -> dict[str, float]:
    """Chances by part, from the generator's own distributions."""
    motion, water, told = run_of_water(scenario)
    onsets = {z: float(t) - EPOCH for z, t in told["first_water"].items()}  # type: ignore[attr-defined]
    first = min(onsets, key=lambda z: onsets[z])
    gains = np.clip(np.diff(water[first], prepend=0.0), 0.0, None)  # type: ignore[index]
    seen = Seen(
        onsets, _by_phase(gains[int(onsets[first] * RATE) :], motion.phase[int(onsets[first] * RATE) :])
    )
    rng = np.random.default_rng([scenario.seed, 999])
    logs = np.array([_log_likelihood(part, scenario, layout, motion, seen, rng) for part in layout.parts])
    chance = np.exp(logs - logsumexp(logs))
    return {part.id: float(p) for part, p in zip(layout.parts, chance, strict=True)}


def _by_phase(water: Array, phase: NDArray[np.int64]) -> Array:
    out = np.bincount(phase, weights=water, minlength=len(PHASES)).astype(float)
    return out / max(out.sum(), 1e-9)


def _log_likelihood(
    part: Part, scenario: Scenario, layout: Layout, motion: Motion, seen: Seen, rng: np.random.Generator
) -> float:
    scores = np.concatenate([_scores(part, scenario, layout, motion, seen, rng) for _ in range(DRAWS)])
    return float(logsumexp(scores))


def _scores(
    part: Part, scenario: Scenario, layout: Layout, motion: Motion, seen: Seen, rng: np.random.Generator
) -> Array:
    """Log weights of one drawn leak at every rate; shape (rates,)."""
    leak = draw_leak(part, rng)
    flow = released(leak, part, motion, rng) / leak.ml_min
    phase = motion.phase[::RATE][: len(flow)]
    floor = draw_floor(rng)
    tilt = scenario.floor.tilt_across if scenario.tilt_told else floor.tilt_across
    floor = Floor(tilt, floor.film_mm, runs_off=floor.runs_off)
    x = part.x_mm + rng.normal(0.0, PART_OFF_MM) + rng.uniform(0.2, 1.0) * floor.run_mm_per_rad * tilt
    delay = part.delay_s * rng.lognormal(0.0, 0.35)
    total = np.geomspace(0.01, 5000.0, 400)
    come = np.cumsum(flow)
    score = np.zeros(len(RATES))
    first = np.full(len(RATES), np.inf)
    for zone, on in on_pads(total, x, part.y_mm, layout, floor).items():
        reached = np.flatnonzero(on > WETTED_ML)
        needed = total[reached[0]] if len(reached) else np.inf
        enough = np.flatnonzero(on > 2 * WETTED_ML)
        wets = come[-1] * RATES >= (total[enough[0]] if len(enough) else np.inf)
        at = np.searchsorted(come, needed / RATES) + 1.0 + delay
        wets &= at < len(flow)
        if zone in seen.onsets:
            off = (at - seen.onsets[zone]) / max(ONSET_S, 0.2 * delay)
            score += np.where(wets, np.maximum(-0.5 * off**2, MISSED), MISSED)
        else:
            score += np.where(wets, MISSED, 0.0)
        first = np.where(wets, np.minimum(first, at), first)
    if score.max() <= 2 * MISSED:
        return score
    behind = np.concatenate(
        [np.zeros((1, len(PHASES))), np.cumsum(np.eye(len(PHASES))[phase] * flow[:, None], axis=0)]
    )
    since = np.clip(np.where(np.isfinite(first), first - delay, 0), 0, len(flow) - 1).astype(int)
    after = behind[-1] - behind[since]
    shares = after / np.maximum(after.sum(axis=1, keepdims=True), 1e-9)
    out: Array = score + np.maximum(-0.5 * (((shares - seen.shares) / SHARE) ** 2).sum(axis=1), MISSED)
    return out


def figures(cases: list[Case]) -> list[tuple[str, float, float, int]]:
    """Figure, the best, ours, and on how many cases."""
    out = []
    for name, rank in (("suspect first", 1), ("suspect in three", 3)):
        hit = [[_rank(p, c.part) < rank for p in (c.best, c.ours)] for c in cases]
        out.append((name, *np.mean(hit, axis=0).tolist(), len(cases)))
    brier = [
        [sum((p - (part == c.part)) ** 2 for part, p in said.items()) for said in (c.best, c.ours)]
        for c in cases
    ]
    out.append(("brier", *np.mean(brier, axis=0).tolist(), len(cases)))
    for kind in ("level", "tilt known", "tilt unknown"):
        own = [c for c in cases if c.kind == kind]
        if own:
            hit = [
                [_zone(p, c.layout) == _zone({c.part: 1.0}, c.layout) for p in (c.best, c.ours)] for c in own
            ]
            out.append((f"zone, {kind}", *np.mean(hit, axis=0).tolist(), len(own)))
    return out  # type: ignore[return-value]


def _rank(chance: dict[str, float], part: str) -> int:
    return sum(p > chance[part] for p in chance.values())


def _zone(chance: dict[str, float], layout: Layout) -> str:
    by_zone = dict.fromkeys(ZONES, 0.0)
    for part in layout.parts:
        by_zone[layout.zone_at(part.x_mm)] += chance.get(part.id, 0.0)
    return max(by_zone, key=lambda zone: by_zone[zone])


def main() -> None:
    """Print the best that any method could reach, and what ours does, on the same runs."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--runs", type=int, default=100)
    asked.add_argument("--seed", type=int, default=1000)
    told = asked.parse_args()
    seeds = range(told.seed, told.seed + told.runs)
    with multiprocessing.get_context("fork").Pool(os.cpu_count()) as pool:
        done = track(
            pool.imap_unordered(case, seeds), "Weighing", told.runs, console=Console(file=sys.stderr)
        )
        cases = [one for one in done if one is not None]
    table = Table("figure", "best possible", "reached", "share of the best", "cases")
    for name, best, ours, n in figures(cases):
        share = best / ours if name == "brier" else ours / max(best, 1e-9)
        table.add_row(name, f"{best:.3f}", f"{ours:.3f}", f"{share:.0%}", str(n))
    Console().print(table)


if __name__ == "__main__":
    main()
