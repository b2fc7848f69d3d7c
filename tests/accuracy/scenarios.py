"""Hard scenarios, drawn from wide distributions; seeded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from soaktest.layouts import Part, read_layout
from soaktest.simulate.bench import Scenario
from soaktest.simulate.nodes import Network
from soaktest.simulate.water import Floor, Leak

SIGNALS = (
    (("power", "vibration", "inlet", "outlet"), False),
    (("power", "vibration", "inlet", "outlet"), False),
    (("power",), False),
    (("current",), False),
    (("vibration", "inlet", "outlet"), False),
    ((), True),
)


PART_OFF_MM = 10.0
"""Parts of a machine at hand sit about so far from where the layout of its kind has them."""


def draw_leak(part: Part, rng: np.random.Generator) -> Leak:
    """How one part leaks."""
    only = ("", "", "", "", "spin", "heat")[int(rng.integers(6))]
    return Leak(
        part=part.id,
        only_phases=(only,) if part.wets.get(only, 0.0) >= 0.2 else (),
        ml_min=float(np.exp(rng.uniform(np.log(0.2), np.log(60)))),
        intermittent=float(rng.choice([1.0, 1.0, 0.5])),
        from_s=float(rng.choice([0.0, 0.0, 0.0, rng.uniform(600, 1800)])),
    )


def draw_floor(rng: np.random.Generator) -> Floor:
    """How level it is under the machine, and how water lies there."""
    tilted = rng.random() < 0.4
    return Floor(
        tilt_across=float(rng.uniform(-0.026, 0.026)) if tilted else 0.0,
        film_mm=float(rng.uniform(0.4, 1.5)),
        runs_off=float(rng.choice([0.0, rng.uniform(0, 1)])),
    )


def draw(seed: int) -> Scenario:
    """One scenario, with what a later look at other benches added: drawn apart, so that the rest of a seed stays what it was."""
    scenario, rng = _draw(seed), np.random.default_rng([seed, 1127])
    rests = float(np.round(rng.uniform(25, 55))) if rng.random() < 0.15 else 0.0
    faulty = scenario.broken or scenario.shorted
    # without a resistor a dry pad conducts next to nothing, and several times that is nothing too
    drifts = faulty if rng.random() < 0.3 and scenario.end_of_line_ohm else None
    damper = float(rng.choice([1.0, 1.0, 1.7]))
    flat = bool(rng.random() < 0.12)
    scenario = replace(scenario, rests_s=rests, steam=scenario.steam * damper, flat_spin=flat)
    return replace(scenario, drifts=drifts, broken=None, shorted=None) if drifts else scenario


def _draw(seed: int) -> Scenario:
    """One scenario. Half leak; the rest are dry, damp, splashed on, or have a faulty pad."""
    rng = np.random.default_rng([seed, 417])
    signals, word = SIGNALS[int(rng.integers(len(SIGNALS)))]
    story = str(rng.choice(["leak", "leak", "leak", "leak", "dry", "dry", "steam", "splash", "fault", "wet"]))
    layout = str(rng.choice(["front-loader", "front-loader", "front-loader-mirrored", "top-loader"]))
    parts = read_layout(layout).parts
    leak = None
    if story == "leak":
        leak = draw_leak(parts[int(rng.integers(len(parts)))], rng)
    floor = draw_floor(rng)
    programmes = [
        ("quick",),
        ("cold",),
        ("cotton",),
        ("quick", "cold"),
        ("cancelled",),
        ("rinse-spin",),
        ("quick", "quick"),
    ]
    zone = str(rng.choice(["left", "centre", "right"]))
    start = float(rng.uniform(60, 900))
    return Scenario(
        seed=seed,
        programmes=programmes[int(rng.choice(7, p=[0.3, 0.2, 0.2, 0.1, 0.08, 0.04, 0.08]))],
        leak=leak,
        floor=floor,
        part_off_mm=float(rng.normal(0.0, PART_OFF_MM)),
        tilt_told=bool(rng.random() < 0.6),
        signals=signals,
        says_phase=word,
        rate_hz=float(rng.choice([2.0, 5.0, 10.0])),
        end_of_line_ohm=2_200_000.0 if rng.random() < 0.8 else None,
        divider_ohm=float(rng.choice([47_000, 100_000, 220_000])),
        bits=int(rng.choice([10, 12, 12, 12, 12, 12, 12])),
        hum_codes=float(rng.choice([0.0, 0.3, rng.uniform(0, 3)])),
        relay_codes=float(rng.choice([0.0, 0.0, rng.uniform(0, 1.5)])),
        shaking_codes=float(rng.choice([0.0, rng.uniform(0, 3)])),
        any_pad=True,
        us_per_cm=float(rng.uniform(200, 1200)),
        humidity_drift=float(rng.uniform(0, 0.4)),
        steam=float(rng.uniform(0.3, 1.2)) if story == "steam" else 0.0,
        splash_s=float(rng.uniform(500, 1500)) if story == "splash" else None,
        wet_start=zone if story == "wet" else None,  # type: ignore[arg-type]
        broken=zone if story == "fault" and seed % 2 else None,  # type: ignore[arg-type]
        shorted=zone if story == "fault" and not seed % 2 else None,  # type: ignore[arg-type]
        network=Network(
            late=float(rng.choice([0.0, 0.02, 0.1])),
            twice=float(rng.choice([0.0, 0.02])),
            outage=(start, start + float(rng.uniform(20, 120))) if rng.random() < 0.15 else None,
            silent=(start, start + float(rng.uniform(8, 60))) if rng.random() < 0.08 else None,
        ),
        layout=layout,
        meter_lag_s=float(rng.choice([0.0, 0.0, 0.0, rng.uniform(0.7, 2.2)])),
        filter_a=float(rng.choice([0.0, rng.uniform(0.02, 0.12)])),
        power_factor=float(rng.uniform(0.5, 0.95)),
        brisk=bool(rng.random() < 0.1),
    )  # fmt: skip
