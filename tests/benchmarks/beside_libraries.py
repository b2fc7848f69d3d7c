"""The analysis beside the obvious pipeline of general libraries on the same samples, in one run, and its cost by length:
``python -m tests.benchmarks.beside_libraries``.

The pipeline: hmmlearn's Gaussian hidden Markov model on the samples of power, vibration, inlet and outlet, fitted to the run
and each state named after the phase it meets most (the truth is given to it, which flatters it), and ruptures' exact change
points (PELT in C, linear kernel, on log conductance) on each pad, the first upward one of 0.08 decades being the wet event.
"""

from __future__ import annotations

import argparse
import time
import warnings
from itertools import pairwise

import numpy as np
import ruptures
from hmmlearn.hmm import GaussianHMM

from soaktest.analysis.analyse import analyse
from soaktest.analysis.causes import explain_wetting
from soaktest.analysis.conductance import conductance, log_conductance
from soaktest.analysis.coverage import survey
from soaktest.analysis.pads import read_pads
from soaktest.analysis.phases import infer_phases
from soaktest.analysis.series import Signals
from soaktest.analysis.signals import gather
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.simulate.bench import Scenario, Truth, simulate
from soaktest.simulate.water import Leak
from soaktest.vocabulary import PHASES, ZONES

LAYOUT, PLAN = read_layout("front-loader"), read_plan("resale")
Answer = tuple[np.ndarray, dict[str, float]]


def ours(signals: Signals) -> Answer:
    """Phases by second and first wettings; causes, place and suspects are worked out as well, and thrown away."""
    pads, phases = read_pads(signals), infer_phases(signals)
    survey(signals, pads, phases, PLAN)
    explain_wetting(signals, pads, phases, LAYOUT)
    return phases.best, {zone: track.events[0].onset for zone, track in pads.items() if track.events}


def libraries(signals: Signals, truth: Truth) -> Answer:
    """The pipeline of the module's head."""
    t = signals.other("power").t
    rows = [
        np.interp(t, signals.other(n).t, signals.other(n).v)
        for n in ("power", "vibration", "inlet", "outlet")
    ]
    x = np.column_stack([np.log1p(rows[0]), *rows[1:]])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = GaussianHMM(8, "diag", n_iter=20, random_state=0, min_covar=1e-3).fit(x)
        states = model.predict(x)
    t0, seconds = float(np.floor(signals.began)), int(signals.ended - np.floor(signals.began))
    second = np.clip((t - t0).astype(int), 0, seconds - 1)
    true = true_phases(truth, t0, seconds)[second]
    names = np.array(
        [np.bincount(true[states == s], minlength=7).argmax() if (states == s).any() else 0 for s in range(8)]
    )
    wet = {}
    for zone in ZONES:
        pad = signals.pads[zone]
        log_g = log_conductance(conductance(pad.v, signals.wiring[zone]))
        penalty = 3 * np.log(len(log_g)) * float(np.var(np.diff(log_g)) / 2)
        cuts = ruptures.KernelCPD(kernel="linear", min_size=5).fit(log_g).predict(pen=penalty)
        edges = [0, *cuts]
        means = [log_g[a:b].mean() for a, b in pairwise(edges)]
        up = next((k for k in range(1, len(means)) if means[k] - means[0] > 0.08), None)
        if up is not None:
            wet[zone] = float(pad.t[edges[up]])
    best = np.zeros(seconds, dtype=int)
    best[second] = names[states]
    return best, wet


def true_phases(truth: Truth, t0: float, seconds: int) -> np.ndarray:
    """Index of the true phase of each second."""
    out = np.zeros(seconds, dtype=int)
    for phase, begin, end in truth.phases:
        out[int(begin - t0) : int(end - t0)] = PHASES.index(phase)
    return out


def score(answer: Answer, truth: Truth, signals: Signals) -> tuple[float, int, int, int]:
    """Share of seconds right; wettings met within 20 s, wettings there were, wettings found."""
    best, wet = answer
    true = true_phases(truth, float(np.floor(signals.began)), len(best))
    met = sum(abs(wet[z] - at) <= 20 for z, at in truth.first_water.items() if z in wet)
    return float(np.mean(true == best)), met, len(truth.first_water), len(wet)


def side_by_side(runs: int) -> None:
    """Print both pipelines' time and accuracy over some runs, taken in turn."""
    names = ("ours", "libraries")
    took, right, counts = (
        dict.fromkeys(names, 0.0),
        {n: [] for n in names},
        {n: np.zeros(3, int) for n in names},
    )
    for seed in range(runs):
        leak = Leak("door-seal" if seed % 2 else "dispenser-hose", 3.0)
        recording, truth = simulate(
            Scenario(seed=900 + seed, programmes=("cotton",), leak=leak, any_pad=True, humidity_drift=0.2)
        )
        signals = gather(recording)
        for name in names:
            begin = time.perf_counter()
            answer = ours(signals) if name == "ours" else libraries(signals, truth)
            took[name] += time.perf_counter() - begin
            share, *tally = score(answer, truth, signals)
            right[name].append(share)
            counts[name] += tally
    for name in names:
        met, there, found = counts[name]
        print(
            f"{name:10s} {took[name] / runs:7.3f} s a run  phases {np.mean(right[name]):.3f}  events F1 {2 * met / (there + found):.3f}"
        )
    print(f"ours is {took['libraries'] / took['ours']:.1f} times as fast")


def by_length() -> None:
    """Print the time per hour of recording for runs of 1, 6 and 24 hours, reading included."""
    base = None
    for programmes in (("quick",) * 1, ("cotton",) * 5, ("cotton",) * 20):
        recording, _ = simulate(
            Scenario(seed=7, programmes=programmes, leak=Leak("door-seal", 0.5), rate_hz=5.0)
        )
        hours = ((recording.header.ended or 0.0) - recording.header.began) / 3600
        begin = time.perf_counter()
        analyse(recording, LAYOUT, PLAN)
        each = (time.perf_counter() - begin) / hours
        base = base or each
        print(
            f"{hours:5.1f} h: {each:.3f} s an hour of recording, {each / base:.2f} times that of the shortest"
        )


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=6)
    side_by_side(parser.parse_args().runs)
    by_length()


if __name__ == "__main__":
    main()
