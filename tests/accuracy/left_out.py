"""Phases from power on a machine that chose nothing: ``python -m tests.accuracy.left_out``.

The model's durations, their spreads, its grammar and the usual levels are drawn anew many times over, widely about the
shipped ones. For each real machine the draw that does best on the others is taken, and scored on that one alone. What
the draws scatter about was chosen while looking at all of them, and so was the model's build: expect less elsewhere.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from unittest.mock import patch

import numpy as np

from soaktest.analysis import phase_levels, phase_model
from tests.accuracy.real_power import folder, macro_f1, measure

DURATION_SD, SPREAD_SD, STEP_SD, LEVEL_SD = 0.35, 0.2, 1.0, 0.2
"""Of log seconds, of their log spread, of log chances, of log watts."""


@contextmanager
def drawn(seed: int) -> Iterator[None]:
    """Other constants of the phase model, as long as the context lasts."""
    rng = np.random.default_rng(seed)

    def scattered(x: np.ndarray, sd: float) -> np.ndarray:
        return x * np.exp(rng.normal(0.0, sd, x.shape))

    steps = {
        source: {target: chance + rng.normal(0.0, STEP_SD) for target, chance in targets.items()}
        for source, targets in phase_model._STEPS.items()
    }
    valve, pump = scattered(np.array([phase_levels.VALVE_W, phase_levels.PUMP_W]), LEVEL_SD)
    with (
        patch.object(phase_model, "_MEDIAN", scattered(phase_model._MEDIAN, DURATION_SD)),
        patch.object(phase_model, "_SIGMA", scattered(phase_model._SIGMA, SPREAD_SD)),
        patch.object(phase_model, "_STEPS", steps),
        patch.object(phase_levels, "VALVE_W", valve),
        patch.object(phase_levels, "PUMP_W", pump),
    ):
        yield


def machine_of(recording: str) -> str:
    """The machine that a recording's name begins with."""
    return "-".join(recording.split("-")[:-4])


def main() -> None:
    """Print each machine's share right by the draw that the others chose, beside the draws' own scatter on it."""
    where = folder()
    if where is None:
        raise SystemExit("Set SOAKTEST_OPEN_DATA to the folder with the recordings and labels.csv.")
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--draws", type=int, default=60)
    draws = []
    for seed in range(asked.parse_args().draws):
        with drawn(seed):
            draws.append(list(measure(where)))
    machines = sorted({machine_of(s.name) for s in draws[0]})
    left_out: Counter[tuple[str, str]] = Counter()
    shares = []
    for machine in machines:
        others = [np.mean([s.share for s in draw if machine_of(s.name) != machine]) for draw in draws]
        own = [float(np.mean([s.share for s in draw if machine_of(s.name) == machine])) for draw in draws]
        chosen = int(np.argmax(others))
        shares.append(own[chosen])
        left_out += sum((s.confusion for s in draws[chosen] if machine_of(s.name) == machine), Counter())
        print(
            f"{machine:20s} right {own[chosen]:.3f} by draw {chosen}, which got {others[chosen]:.3f} on the others; "
            f"all draws on it: median {np.median(own):.3f}, lowest {min(own):.3f}"
        )
    right = sum(n for (a, b), n in left_out.items() if a == b) / sum(left_out.values())
    print(
        f"machines left out: right {right:.3f} of all seconds, macro-F1 {macro_f1(left_out):.3f}, worst {min(shares):.3f}"
    )


if __name__ == "__main__":
    main()
