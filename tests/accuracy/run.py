"""Judge many hard simulated runs and print one table: ``python -m tests.accuracy.run --runs 200``."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys

import numpy as np
from rich.console import Console
from rich.progress import track
from rich.table import Table

from soaktest.analysis.analyse import analyse
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.simulate.bench import simulate
from tests.accuracy.scenarios import draw
from tests.accuracy.scoring import Tally, calibration_error, score

GOALS = {
    "false pass": "0", "false fail": "< 0.005", "needless retest": "< 0.02", "verdict out of nothing": "0",
    "event F1, 20 s": "0.95", "event F1, half a drop": "-", "event F1, minutes": "0.99", "onset error, median s": "1.5", "onset error, 95th s": "12",
    "onset interval holds": "0.88-0.95", "onset interval holds, half a drop": "-", "phases, all": "0.98", "phases, vib+in+out": "0.96", "phases, power": "0.95",
    "phases, current": "0.92", "phases, word": "-", "phase held responsible": "0.88", "phase, first pad, all signals": "0.94",
    "zone, level": "0.96", "zone, tilt known": "0.95", "zone, tilt unknown": "0.85", "place error, level": "8", "place error, tilt known": "8",
    "place interval holds": "0.88-0.95", "suspect first": "0.60", "suspect in three": "0.93", "brier": "0.58",
    "calibration, phase": "< 0.05", "calibration, suspects": "< 0.05", "cause": "0.97",
}  # fmt: skip


def one(seed: int) -> Tally:
    """Simulate, judge and score one run."""
    scenario = draw(seed)
    recording, truth = simulate(scenario)
    plan = read_plan(scenario.plan)
    return score(analyse(recording, read_layout(scenario.layout), plan), truth, plan)


def figures(total: Tally) -> dict[str, tuple[float, int]]:
    """Figure by name, with the number of cases it rests on."""
    v = total.values
    out: dict[str, tuple[float, int]] = {}
    for name in GOALS:
        if name in v:
            middle = np.median if name.startswith("place error") else np.mean
            out[name] = (float(middle(v[name])), len(v[name]))
    for kind, name in (
        ("close", "event F1, 20 s"),
        ("half", "event F1, half a drop"),
        ("loose", "event F1, minutes"),
    ):
        hits, true, found = (sum(v[f"{part} {kind}"]) for part in ("hits", "true", "found"))
        out[name] = (2 * hits / max(true + found, 1), int(true))
    if v["onset error"]:
        out["onset error, median s"] = (float(np.median(v["onset error"])), len(v["onset error"]))
        out["onset error, 95th s"] = (float(np.quantile(v["onset error"], 0.95)), len(v["onset error"]))
    out["calibration, phase"] = (calibration_error(v["phase said"], v["phase right"]), len(v["phase said"]))
    out["calibration, suspects"] = (
        calibration_error(v["suspect said"], v["suspect right"]),
        len(v["suspect said"]),
    )
    return {name: out[name] for name in GOALS if name in out}


def measure(runs: int, first_seed: int, *, quiet: bool = False) -> dict[str, tuple[float, int]]:
    """Judge ``runs`` scenarios on all cores."""
    total = Tally()
    with multiprocessing.get_context("fork").Pool(os.cpu_count()) as pool:
        done = pool.imap_unordered(one, range(first_seed, first_seed + runs))
        for tally in track(done, "Judging", runs, console=Console(file=sys.stderr, quiet=quiet)):
            total.extend(tally)
    return figures(total)


def main() -> None:
    """Print the table, or JSON."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    got = measure(asked.runs, asked.seed)
    if asked.json:
        print(
            json.dumps(
                {name: {"value": value, "cases": n, "goal": GOALS[name]} for name, (value, n) in got.items()}
            )
        )
        return
    table = Table("figure", "goal", "reached", "cases", title=f"{asked.runs} runs from seed {asked.seed}")
    for name, (value, n) in got.items():
        table.add_row(name, GOALS[name], f"{value:.3f}", str(n))
    Console().print(table)


if __name__ == "__main__":
    main()
