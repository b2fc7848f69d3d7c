"""Water that leaks, runs, spreads and dries, and what pads make of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from soaktest.layouts import Layout, Part
from soaktest.simulate.machine import RATE, Motion
from soaktest.vocabulary import PHASES, ZONES, Zone

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Leak:
    """A leaking part: millilitres a minute at its worst, and how it behaves."""

    part: str
    ml_min: float
    only_phases: tuple[str, ...] = ()
    intermittent: float = 1.0
    from_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Floor:
    """The floor under the machine: tilt (radians, left higher is positive) and how water lies on it."""

    tilt_across: float = 0.0
    film_mm: float = 0.7
    run_mm_per_rad: float = 4500.0
    runs_off: float = 0.0
    """Share of the spreading that follows the slope as a tongue instead of a disc."""


@dataclass(frozen=True, slots=True)
class PadLaw:
    """How one pad's conductance grows with the water on it.

    A drop makes ``drop_siemens`` in water of 500 uS/cm, more make ``drop_siemens * (ml / 0.05) ** power``, up to
    ``soaked_siemens``; water needs ``soak_s`` (time constant) to spread between the tracks.
    """

    drop_siemens: float = 6e-6
    power: float = 0.8
    soaked_siemens: float = 7e-4
    soak_s: float = 0.4


def draw_law(rng: np.random.Generator) -> PadLaw:
    """A pad of some make: mesh, board or fabric."""
    return PadLaw(
        drop_siemens=10.0 ** rng.uniform(-5.7, -4.8),
        power=rng.uniform(0.55, 1.1),
        soaked_siemens=10.0 ** rng.uniform(-3.6, -3.0),
        soak_s=float(np.exp(rng.uniform(np.log(0.1), np.log(3.0)))),
    )


def released(leak: Leak, part: Part, motion: Motion, rng: np.random.Generator) -> Array:
    """Millilitres let out in each whole second, by phase, water level and chance."""
    seconds = len(motion.phase) // RATE
    phase = motion.phase[::RATE][:seconds]
    rates = np.array([part.wets.get(p, 0.0) * rng.lognormal(0.0, 0.4) for p in PHASES])
    if leak.only_phases:
        rates = np.array(
            [max(r, 0.5) if p in leak.only_phases else 0.0 for p, r in zip(PHASES, rates, strict=True)]
        )
    flow = np.minimum(rates, 1.2)[phase] * leak.ml_min / 60.0
    fed = {"fill", "idle"} >= {p for p, r in part.wets.items() if r > 0.5}
    if not fed:  # a part of the tub leaks only with water behind it
        litres = motion.litres[::RATE][:seconds]
        flow *= np.clip(litres / 2.0, 0.0, 1.0) * 0.9 + 0.1 * (litres > 0.05)
    if leak.intermittent < 1.0:
        open_now = np.repeat(rng.random(seconds // 20 + 1) < leak.intermittent, 20)[:seconds]
        flow = flow * open_now
    flow[: int(leak.from_s)] = 0.0
    out: Array = flow
    return out


def landed(flow: Array, part: Part, rng: np.random.Generator) -> Array:
    """Millilitres reaching the floor in each step of 1 / ``RATE`` s: drop by drop, each with its own delay."""
    out = np.zeros(len(flow) * RATE)
    carried = np.cumsum(flow)
    drop = rng.uniform(0.03, 0.08)
    count = min(int(carried[-1] / drop), 40_000) if len(carried) else 0
    if count == 0:
        return out
    each = carried[-1] / count
    left = np.interp((np.arange(count) + 0.5) * each, carried, np.arange(1.0, len(carried) + 1))
    base = part.delay_s * rng.lognormal(0.0, 0.35)
    arrive = left + np.maximum(base * rng.lognormal(0.0, 0.2, count), 0.5)
    index = (arrive * RATE).astype(int)
    np.add.at(out, index[index < len(out)], each)
    return out


def spread(landing: Array, x_mm: float, y_mm: float, layout: Layout, floor: Floor) -> dict[Zone, Array]:
    """Millilitres on each pad, step by step: the puddle grows as a disc of one film, longer downhill.

    A pad holds the share of the puddle that covers it; water that lands on a pad is on it at once.
    """
    return on_pads(np.cumsum(landing), x_mm, y_mm, layout, floor)


def on_pads(total: Array, x_mm: float, y_mm: float, layout: Layout, floor: Floor) -> dict[Zone, Array]:
    """Millilitres on each pad when so many have landed at a place, without drying."""
    out: dict[Zone, Array] = {}
    radius = np.sqrt(np.maximum(total, 0.0) * 1000.0 / (np.pi * floor.film_mm))
    for zone in ZONES:
        pad = layout.pad(zone)
        gap_x = max(abs(x_mm - pad.x_mm) - pad.width_mm / 2, 0.0)
        gap_y = max(abs(y_mm - pad.y_mm) - pad.depth_mm / 2, 0.0)
        gap = float(np.hypot(gap_x, 0.5 * gap_y))
        if gap == 0.0:
            out[zone] = total.copy()
            continue
        downhill = np.sign(floor.tilt_across) == np.sign(pad.x_mm - x_mm)
        longer = 1.0 + floor.runs_off * (1.5 if downhill else -0.4)
        reach = np.maximum(radius * longer - gap, 0.0)
        share = np.clip(reach / np.maximum(2.5 * radius, 1e-6), 0.0, 0.5)
        out[zone] = total * share
    return out


def dried(on_pad: Array, ml_per_hour: float) -> Array:
    """Take off evaporation, about a drop in some hours and more while much is wet; never below nothing."""
    gains = np.diff(on_pad, prepend=0.0)
    out = np.empty(len(on_pad))
    level = 0.0
    loss = ml_per_hour / 3600.0 / RATE
    for i, gain in enumerate(gains.tolist()):
        level = max(0.0, level + gain - loss * min(1.0, level * 4))
        out[i] = level
    return out


def pad_siemens(on_pad: Array, dry: Array, us_per_cm: float, law: PadLaw) -> Array:
    """Conductance of a pad, wet on top of what humid air makes of it dry; arrays in steps of 1 / ``RATE`` s."""
    scale = us_per_cm / 500.0
    keep = float(np.exp(-1.0 / (RATE * law.soak_s)))
    soaked_in = lfilter([1.0 - keep], [1.0, -keep], on_pad)
    wet = law.drop_siemens * scale * (np.maximum(soaked_in, 0.0) / 0.05) ** law.power
    out: Array = dry + wet / (1.0 + wet / (law.soaked_siemens * scale))
    return out
