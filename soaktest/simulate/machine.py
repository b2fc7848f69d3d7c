"""A washing machine: programmes, and what its supply, cabinet, valve and pump do second by second."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soaktest.vocabulary import PHASES, Phase

Array = NDArray[np.float64]
Step = tuple[Phase, float]
RATE = 10
"""Internal samples a second."""


@dataclass(frozen=True, slots=True)
class MachineKind:
    """How one machine behaves electrically and mechanically."""

    standby_w: float
    rest_w: float
    valve_w: float
    pump_w: float
    heater_w: float
    stroke_w: float
    stroke_s: float
    pause_s: float
    spin_w: float
    turns_while_filling: bool
    tub_litres: float
    shake: float
    tops_up: bool
    """Lets in a little more water now and then while it washes."""
    attempts: int
    """Short tries to balance the load before a spin, pump on: no long run of the drum, so they are still the drain."""
    softener_w: float
    """Second valve, opened with the first in the last fill."""
    pump_shake: float
    """Vibration (m/s2) of the cabinet that the pump alone makes."""
    drains_turning: bool
    """Tumbles while it lets water out."""
    pulses_pump: bool
    """Runs the pump by turns while it spins."""
    soak_s: float
    """The drum stands still so long in mid-wash."""
    flat_spin: bool = False
    """An induction motor's drum draws at speed what it does at its strokes."""


def draw_machine(rng: np.random.Generator) -> MachineKind:
    """A machine of some make: element 1.4 to 2.4 kW, brushless or universal motor."""
    rest = rng.uniform(1.0, 6.0)
    return MachineKind(
        standby_w=rng.uniform(0.2, 2.0),
        rest_w=rest,
        valve_w=rng.uniform(5, 12),
        pump_w=rng.uniform(20, 34) if rng.random() < 0.85 else rng.uniform(40, 80),
        heater_w=rng.uniform(1400, 2400),
        stroke_w=rng.uniform(90, 230),
        stroke_s=rng.uniform(5, 16),
        pause_s=rng.uniform(4, 13),
        spin_w=rng.uniform(180, 550),
        turns_while_filling=bool(rng.random() < 0.5),
        tub_litres=rng.uniform(9, 16),
        shake=rng.uniform(0.3, 1.2),
        tops_up=bool(rng.random() < 0.3),
        attempts=int(rng.choice([0, 0, 0, 1, 2])),
        softener_w=float(rng.choice([0.0, rng.uniform(4, 10)])),
        pump_shake=float(np.exp(rng.uniform(np.log(0.02), np.log(1.0)))),
        drains_turning=bool(rng.random() < 0.2),
        pulses_pump=bool(rng.random() < 0.2),
        soak_s=float(rng.choice([0.0, 0.0, 0.0, rng.uniform(40, 180)])),
    )


def programme(name: str, rng: np.random.Generator) -> list[Step]:
    """Steps of a programme as (phase, seconds), without rest before and after."""

    def some(low: float, high: float) -> float:
        return float(np.round(rng.uniform(low, high)))

    def rinse() -> list[Step]:
        return [("fill", some(45, 110)), ("rinse", some(100, 260)), ("drain", some(30, 70))]

    wash: list[Step] = [("fill", some(60, 130)), ("wash", some(120, 300))]
    end: list[Step] = [("spin", some(120, 330))]
    if name == "quick":
        return [
            *wash,
            ("heat", some(60, 240)),
            ("wash", some(120, 300)),
            ("drain", some(30, 60)),
            *rinse(),
            *end,
        ]
    if name == "cold":
        return [*wash, ("wash", some(300, 700)), ("drain", some(30, 60)), *rinse(), *rinse(), *end]
    if name == "cotton":
        return [
            *wash, ("heat", some(500, 1100)), ("wash", some(400, 900)), ("heat", some(60, 150)), ("wash", some(200, 600)),
            ("drain", some(40, 70)), ("spin", some(70, 150)), *rinse(), ("spin", some(70, 150)), *rinse(), *end,
        ]  # fmt: skip
    if name == "cancelled":
        return [
            *wash,
            ("heat", some(60, 200)),
            ("wash", some(60, 300)),
            ("idle", some(90, 300)),
            ("drain", some(50, 90)),
        ]
    if name == "rinse-spin":
        return [("drain", some(20, 40)), *rinse(), *end]
    raise ValueError(f"no programme {name!r}")


@dataclass(frozen=True, slots=True)
class Motion:
    """What the machine does; arrays at ``RATE`` a second."""

    steps: list[Step]
    power: Array
    vibration: Array
    inlet: Array
    outlet: Array
    litres: Array
    celsius: Array
    phase: NDArray[np.int64]


def run_machine(kind: MachineKind, steps: list[Step], rng: np.random.Generator) -> Motion:
    """Drive the machine through its steps. Water in the tub and its temperature are integrated."""
    steps = [part for step in steps for part in _soaked(step, kind.soak_s)]
    steps = [part for step in steps for part in _balanced(step, kind.attempts, rng)]
    n = int(sum(seconds for _, seconds in steps) * RATE)
    power, vibration = np.zeros(n), np.zeros(n)
    inlet, outlet = np.zeros(n), np.zeros(n)
    phase = np.zeros(n, dtype=np.int64)
    begin = 0
    on = np.zeros(n)
    fills = [i for i, (name, _) in enumerate(steps) if name == "fill"]
    for number, (name, seconds) in enumerate(steps):
        stop = min(begin + int(seconds * RATE), n)
        part = slice(begin, stop)
        count = stop - begin
        phase[part] = PHASES.index(name)
        power[part] = kind.standby_w if name == "idle" else kind.rest_w
        turns = np.zeros(count)
        if (
            name in ("wash", "rinse", "heat")
            or (name == "fill" and kind.turns_while_filling)
            or (name == "drain" and (kind.drains_turning or steps[number - 1][0] == "drain"))
        ):
            turns = _tumbling(kind, count, rng)
            power[part] += turns * kind.stroke_w * (1 + 0.12 * rng.standard_normal(count))
        if name in ("wash", "rinse") and kind.tops_up and count > 1200:
            for at in rng.integers(300, count - 300, 2):
                some = slice(begin + int(at), begin + int(at) + int(rng.uniform(40, 180)))
                inlet[some] = 1.0
                power[some] += kind.valve_w
        if name == "heat":
            power[part] += kind.heater_w * (1 + 0.004 * rng.standard_normal(count))
            on[part] = 1.0
        if name == "fill":
            inlet[part] = 1.0
            power[part] += kind.valve_w + (kind.softener_w if number == fills[-1] else 0.0)
        if name == "drain":
            outlet[part] = 1.0
            dry = np.linspace(1.0, 0.75, count)
            power[part] += kind.pump_w * dry
        if name == "spin":
            turns = _spinning(count, rng)
            outlet[part] = rng.random() < 0.7
            if kind.pulses_pump:
                outlet[part] = (np.arange(count) / RATE) % 40.0 < 22.0
            power[part] += kind.pump_w * 0.75 * outlet[part]
            level, wander = (kind.stroke_w, 0.02) if kind.flat_spin else (kind.spin_w, 0.06)
            speed = np.ones(count) if kind.flat_spin else np.clip(turns, 0.15, None)
            power[part] += level * np.where(turns > 0, speed, 0.0) * (1 + wander * rng.standard_normal(count))
            vibration[part] = kind.shake * (0.6 + 3.5 * turns) * (1 + 0.2 * rng.standard_normal(count))
        else:
            vibration[part] = kind.shake * turns * (1 + 0.35 * rng.standard_normal(count))
        begin = stop
    pump = kind.pump_shake * outlet * (1 + 0.1 * rng.standard_normal(n))
    vibration = np.hypot(vibration, pump) + 0.02 * np.abs(rng.standard_normal(n))
    power = np.maximum(power + 0.4 * rng.standard_normal(n), 0.0)
    litres, celsius = _tub(kind, inlet, outlet, on)
    return Motion(steps, power, vibration, inlet, outlet, litres, celsius, phase)


def _soaked(step: Step, soak_s: float) -> list[Step]:
    """A long wash with a rest in its middle, where the drum stands still over the water."""
    name, seconds = step
    if name != "wash" or not soak_s or seconds < 3 * soak_s:
        return [step]
    half = round((seconds - soak_s) / 2)
    return [(name, half), ("idle", round(soak_s)), (name, half)]


def _tumbling(kind: MachineKind, count: int, rng: np.random.Generator) -> Array:
    out = np.zeros(count)
    at = 0
    while at < count:
        stroke = int(kind.stroke_s * rng.uniform(0.85, 1.15) * RATE)
        out[at : at + stroke] = 1.0
        at += stroke + int(kind.pause_s * rng.uniform(0.85, 1.15) * RATE)
    return out


def _balanced(step: Step, attempts: int, rng: np.random.Generator) -> list[Step]:
    """A spin with the tries that go before it, each a turn of the drum and a pause."""
    tries = [round(rng.uniform(14, 28)) for _ in range(attempts)] if step[0] == "spin" else []
    return [("drain", float(sum(tries))), step] if tries else [step]


def _spinning(count: int, rng: np.random.Generator) -> Array:
    """Speed as a share of the top: a ramp, a plateau, a run-down."""
    t = np.arange(count) / max(count, 1)
    up = np.clip(t / rng.uniform(0.15, 0.5), 0, 1)
    out: Array = np.minimum(up, np.clip((1 - t) / 0.06, 0, 1))
    return out


def _tub(kind: MachineKind, inlet: Array, outlet: Array, on: Array) -> tuple[Array, Array]:
    litres, celsius = np.empty(len(inlet)), np.empty(len(inlet))
    level, warm = 0.0, 18.0
    for i in range(0, len(inlet), RATE):
        added = 0.17 * inlet[i] if level < kind.tub_litres else 0.0
        warm += (15.0 - warm) * added / max(level + added, 0.5)
        level = max(0.0, level + added - 0.35 * outlet[i])
        if on[i] and level > 1:
            warm = min(60.0, warm + kind.heater_w / (4186.0 * level + 8000.0))
        warm += (18.0 - warm) * 2e-4
        litres[i : i + RATE], celsius[i : i + RATE] = level, warm
    return litres, celsius
