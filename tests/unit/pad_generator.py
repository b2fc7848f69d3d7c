"""Pads with wide physics, for tests alone: it shares nothing with the simulator or with the detector."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from soaktest.analysis.series import PadWiring, Series, Signals
from soaktest.vocabulary import ZONES, Zone

T0 = 1_764_000_000.0
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Bench:
    """What three pads share: length in seconds, converter, divider, and what disturbs them."""

    length_s: int = 2400
    rate_hz: float = 5.0
    bits: int = 12
    wiring: PadWiring = field(default_factory=lambda: PadWiring(100_000.0, 2_200_000.0))
    noise_steps: float = 0.7
    hum_steps: float = 0.0
    hum_hz: float = 0.05
    humidity: float = 0.0
    """Decades of slow wander of the dry pads' own conductance."""
    steam: float = 0.0
    """Decades by which all pads' own conductance rises, smoothly, from the middle of the run."""
    warming_k: float = 0.0
    shaking_steps: float = 0.0
    spikes_per_hour: float = 0.0
    relay_steps: float = 0.0


def draw_bench(rng: np.random.Generator) -> Bench:
    """A bench out of wide distributions."""
    length = int(rng.integers(1200, 4200))
    return Bench(
        length_s=length,
        rate_hz=float(rng.choice([1.0, 2.0, 5.0, 10.0])),
        bits=int(rng.choice([10, 12, 12, 16])),
        wiring=PadWiring(
            float(rng.choice([22e3, 47e3, 100e3, 220e3, 470e3])),
            float(rng.choice([1e6, 2.2e6, 4.7e6])) if rng.random() < 0.75 else None,
        ),
        noise_steps=float(rng.uniform(0.0, 1.5)),
        hum_steps=float(rng.choice([0.0, 0.0, rng.uniform(0, 4)])),
        hum_hz=float(10 ** rng.uniform(-2.5, -0.2)),
        humidity=float(rng.uniform(0, 0.4)),
        warming_k=float(rng.uniform(0, 15)),
        shaking_steps=float(rng.choice([0.0, rng.uniform(0, 3)])),
        spikes_per_hour=float(rng.choice([0.0, rng.uniform(0, 60)])),
        relay_steps=float(rng.choice([0.0, rng.uniform(0, 1.0)])),
    )


def _wander(rng: np.random.Generator, t: Array, decades: float) -> Array:
    """A few slow sines of random phase, periods of 15 minutes to 3 hours."""
    out = np.zeros(len(t))
    for _ in range(4):
        period = np.exp(rng.uniform(np.log(900), np.log(10800)))
        out += np.sin(2 * np.pi * (t / period + rng.random()))
    return decades / 4 * out


def dry_siemens(bench: Bench, rng: np.random.Generator, t: Array) -> dict[Zone, Array]:
    """Each pad's own conductance while dry, at times ``t`` since the beginning."""
    shared = _wander(rng, t, bench.humidity)
    middle, width = rng.uniform(0.3, 0.6) * bench.length_s, rng.uniform(120, 400)
    shared = shared + bench.steam / (1 + np.exp(-(t - middle) / (width / 4)))
    warm = bench.warming_k * 0.02 / np.log(10) * (1 - np.exp(-t / rng.uniform(900, 3000)))
    out: dict[Zone, Array] = {}
    middle_base = rng.uniform(-9.0, -6.5)
    for zone in ZONES:
        base = middle_base + rng.normal(0, 0.3)  # three pads of one make, not equally clean
        out[zone] = 10 ** (
            base + shared * rng.uniform(0.7, 1.3) + 0.3 * _wander(rng, t, bench.humidity) + warm
        )
    return out


def leak_siemens(rng: np.random.Generator, t: Array, onset: float) -> Array:
    """Drop by drop from ``onset``: 200 to 1,200 uS/cm, a drop every 1 to 60 s, for a while or to the end."""
    per_drop = 10 ** rng.uniform(-5.7, -4.7)
    spacing = np.exp(rng.uniform(np.log(0.5), np.log(30)))
    count = int(min(400, rng.geometric(1 / 60)) + 1)
    at = onset + np.concatenate(([0.0], np.cumsum(rng.exponential(spacing, count - 1))))
    sizes = per_drop * rng.lognormal(0, 0.5, count)
    held = np.concatenate(([0.0], np.cumsum(sizes)))[np.searchsorted(at, t, side="right")]
    soaked = 10 ** rng.uniform(-3.7, -3.0)
    # A drop needs a second or two to spread between the tracks.
    tau = rng.uniform(0.1, 1.5)
    step = t[1] - t[0]
    gain = 1 - np.exp(-step / tau)
    out = np.empty(len(t))
    level = 0.0
    for i, want in enumerate(held.tolist()):
        level += gain * (want - level)
        out[i] = level
    spread: Array = out / (1 + out / soaked)
    return spread


def creeping_siemens(rng: np.random.Generator, t: Array, onset: float) -> Array:
    """Water that creeps in along the floor: from nothing on a smooth curve over a minute or several."""
    since = np.maximum(t - onset, 0.0)
    power, minute = rng.uniform(0.7, 2.0), np.exp(rng.uniform(np.log(20), np.log(240)))
    siemens = 10 ** rng.uniform(-5.3, -4.3) * (since / minute) ** power
    out: Array = siemens / (1 + siemens / 10 ** rng.uniform(-3.7, -3.0))
    return out


def read(bench: Bench, own: dict[Zone, Array], rng: np.random.Generator, t: Array) -> Signals:
    """What the converter gives for each pad's own conductance."""
    steps = 2**bench.bits - 1
    pads: dict[Zone, Series] = {}
    shaken = np.sin(2 * np.pi * t / rng.uniform(200, 900) + rng.random() * 6) > 0.3
    for zone in ZONES:
        g = own[zone] + (1.0 / bench.wiring.end_of_line_ohm if bench.wiring.end_of_line_ohm else 0.0)
        product = g * bench.wiring.divider_ohm
        code = product / (1 + product) * steps
        code = code + bench.noise_steps * rng.standard_normal(len(t))
        code = code + bench.hum_steps * np.sin(2 * np.pi * (bench.hum_hz * t + rng.random()))
        if bench.shaking_steps:
            code = code + shaken * bench.shaking_steps * rng.standard_normal(len(t))
        if bench.relay_steps:
            for _ in range(3):
                a, b = np.sort(rng.uniform(0, bench.length_s, 2))
                code = code + ((t > a) & (t < b)) * bench.relay_steps * rng.choice([-1, 1])
        spikes = rng.random(len(t)) < bench.spikes_per_hour / 3600 / bench.rate_hz
        code = np.where(spikes, code + rng.uniform(-200, 400, len(t)), code)
        pads[zone] = Series(T0 + t, np.clip(np.round(code), 0, steps) / steps)
    return Signals(
        T0,
        T0 + bench.length_s,
        pads,
        dict.fromkeys(ZONES, bench.wiring),
        clock_error_s=dict.fromkeys(ZONES, 0.02),
    )


def clock(bench: Bench) -> Array:
    """Sample times since the beginning."""
    t: Array = (np.arange(int(bench.length_s * bench.rate_hz), dtype=np.float64) + 1.0) / bench.rate_hz
    return t
