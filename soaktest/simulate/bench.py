"""A whole bench: scenario → recording and its truth."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from soaktest.layouts import Layout, read_layout
from soaktest.recording import Header, Message, Recording
from soaktest.simulate.machine import RATE, MachineKind, Motion, Step, draw_machine, programme, run_machine
from soaktest.simulate.nodes import Network, Node, convert, say
from soaktest.simulate.water import (
    Floor,
    Leak,
    PadLaw,
    draw_law,
    dried,
    landed,
    pad_siemens,
    released,
    spread,
)
from soaktest.vocabulary import PHASES, ZONES, Zone

Array = NDArray[np.float64]
EPOCH = 1_764_000_000.0
BRISK_S = 2.4
"""Pause between the strokes of a brisk drum."""
DRIFT_DECADES = 0.8
"""What a drifting pad climbs by over a run."""
ELEMENT_FROM_W = 1000.0
"""What draws more is an element: no drawn machine's motor does."""
WETTED_ML = 0.025
"""A pad is wet from half a drop on: a drop is about 0.05 ml (20 to the millilitre, handbook value from memory)."""
REACHED_ML = WETTED_ML / 5
"""Less of it is no water to be seen, whatever a film's edge or a fleck brings."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """Choices of one simulated run; everything else comes from ``seed``."""

    seed: int
    programmes: tuple[str, ...] = ("quick",)
    leak: Leak | None = None
    part_off_mm: float = 0.0
    """How far right of its place in the layout the leaking part really sits."""
    floor: Floor = field(default_factory=Floor)
    tilt_told: bool = False
    signals: tuple[str, ...] = ("power", "vibration", "inlet", "outlet")
    says_phase: bool = False
    rate_hz: float = 5.0
    dry_watch_s: float = 320.0
    between_s: float = 300.0
    drip_watch_s: float = 660.0
    end_of_line_ohm: float | None = 2_200_000.0
    divider_ohm: float = 100_000.0
    bits: int = 12
    us_per_cm: float = 500.0
    humidity_drift: float = 0.0
    """Decades that the dry conductance of all pads rises over the run."""
    hum_codes: float = 0.3
    """Amplitude of aliased mains hum, in converter steps."""
    relay_codes: float = 0.0
    """Step of the reading while heater or pump draws current, in converter steps."""
    shaking_codes: float = 0.0
    """Extra noise of the reading in a spin, in converter steps."""
    any_pad: bool = False
    """Pads of some make, each a little different, instead of the usual one."""
    meter_lag_s: float = 0.0
    """Time constant of the meter of power and current."""
    filter_a: float = 0.0
    """Current of the mains filter while the machine is awake, a quarter turn off the voltage."""
    power_factor: float = 0.75
    """Of motors, pump and valves; the element's is 1."""
    rests_s: float = 0.0
    """Rest between a spin or drain and the fill after it."""
    drifts: Zone | None = None
    """A pad whose dry level climbs by itself."""
    brisk: bool = False
    """Strokes that follow each other within two seconds or so."""
    flat_spin: bool = False
    """A drum that draws at speed what it does at its strokes."""
    steam: float = 0.0
    """Decades of condensation on all pads after heating."""
    splash_s: float | None = None
    wet_start: Zone | None = None
    broken: Zone | None = None
    shorted: Zone | None = None
    network: Network = field(default_factory=Network)
    layout: str = "front-loader"
    plan: str = "repair-check"
    unit: str = "A-0417"
    bench: str = "b1"


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened; times in UTC seconds."""

    phases: list[tuple[str, float, float]]
    first_water: dict[str, float]
    """When half a drop was on each pad that got wet by the leak."""
    reached: dict[str, float]
    """When water reached those pads: a tenth of a drop. A puddle's edge may need minutes from there to half a drop."""
    released_in: dict[str, str]
    """For each such pad, the phase in which the water of its first drop was let out."""
    part: str | None
    x_mm: float | None
    leaked_ml: float
    on_pads_ml: float
    cause: str | None
    choices: dict[str, object]


def simulate(scenario: Scenario) -> tuple[Recording, Truth]:
    """Make one run. The same scenario gives the same bytes."""
    rng = np.random.default_rng(scenario.seed)
    motion, water, truth_of_water = run_of_water(scenario, rng)
    seconds = len(motion.phase) // RATE
    messages = list(_pad_messages(scenario, motion, water, rng))
    messages += _phase_messages(scenario, motion, rng)
    messages.sort(key=lambda message: message.at)
    header = Header(
        bench=scenario.bench, unit=scenario.unit, layout=scenario.layout, plan=scenario.plan, began=EPOCH,
        ended=EPOCH + seconds, run=f"{scenario.bench}-{scenario.seed}",
    )  # fmt: skip
    truth = Truth(phases=_spans(motion), choices=asdict(scenario), **truth_of_water)  # type: ignore[arg-type]
    return Recording(header, messages), truth


def run_of_water(
    scenario: Scenario, rng: np.random.Generator | None = None
) -> tuple[Motion, dict[Zone, Array], dict[str, object]]:
    """The machine's motion, water on each pad step by step, and the truth of it, as :func:`simulate` makes them."""
    chance = np.random.default_rng(scenario.seed) if rng is None else rng
    kind = replace(draw_machine(chance), flat_spin=scenario.flat_spin)
    if scenario.brisk:
        kind = replace(kind, pause_s=BRISK_S)
    motion = run_machine(kind, _steps(scenario, chance), chance)
    water, told = _water(scenario, read_layout(scenario.layout), motion, chance)
    return motion, water, told


def _steps(scenario: Scenario, rng: np.random.Generator) -> list[Step]:
    steps: list[Step] = [("idle", scenario.dry_watch_s)]
    for number, name in enumerate(scenario.programmes):
        if number:
            steps.append(("idle", scenario.between_s))
        for step in programme(name, rng):
            if scenario.rests_s and step[0] == "fill" and steps[-1][0] in ("spin", "drain"):
                steps.append(("idle", scenario.rests_s))
            steps.append(step)
    return [*steps, ("idle", scenario.drip_watch_s)]


def _water(
    scenario: Scenario, layout: Layout, motion: Motion, rng: np.random.Generator
) -> tuple[dict[Zone, Array], dict[str, object]]:
    seconds = len(motion.phase) // RATE
    water = {zone: np.zeros(seconds * RATE) for zone in ZONES}
    told: dict[str, object] = {
        "first_water": {}, "reached": {}, "released_in": {}, "part": None, "x_mm": None, "leaked_ml": 0.0, "on_pads_ml": 0.0, "cause": None,
    }  # fmt: skip
    if scenario.leak:
        part = next(p for p in layout.parts if p.id == scenario.leak.part)
        flow = released(scenario.leak, part, motion, rng)
        landing = landed(flow, part, rng)
        at = part.x_mm + scenario.part_off_mm
        x = at + rng.uniform(0.2, 1.0) * scenario.floor.run_mm_per_rad * scenario.floor.tilt_across
        water = spread(landing, x, part.y_mm, layout, scenario.floor)
        first = {z: int(np.argmax(v > WETTED_ML)) for z, v in water.items() if v.max() > 2 * WETTED_ML}
        let_out = np.cumsum(flow)
        come = np.cumsum(landing)
        told["first_water"] = {z: EPOCH + (i + 1) / RATE for z, i in first.items()}
        told["reached"] = {z: EPOCH + (int(np.argmax(water[z] > REACHED_ML)) + 1) / RATE for z in first}
        told["released_in"] = {
            z: PHASES[
                int(motion.phase[min(int(np.searchsorted(let_out, come[i] * 0.999)), seconds - 1) * RATE])
            ]
            for z, i in first.items()
        }
        told |= {"part": part.id, "x_mm": at, "leaked_ml": float(flow.sum()), "cause": "leak"}
        told["on_pads_ml"] = float(max(v.max() for v in water.values()))
    if scenario.splash_s is not None:
        for zone in ZONES:
            water[zone][int((scenario.splash_s + rng.uniform(0, 3)) * RATE) :] += rng.uniform(8, 25)
        told["cause"] = "spill"
    if scenario.wet_start:
        water[scenario.wet_start] += rng.uniform(3, 12)
        told["cause"] = "spill"
    return {zone: dried(v, rng.uniform(0.5, 3.0)) for zone, v in water.items()}, told


def _pad_messages(
    scenario: Scenario, motion: Motion, water: dict[Zone, Array], rng: np.random.Generator
) -> list[Message]:
    n = len(motion.phase)
    count = int(n / RATE * scenario.rate_hz)
    since = (np.arange(count) + 1) / scenario.rate_hz
    at = np.minimum((since * RATE).astype(int), n - 1)
    t = np.arange(n) / n
    warm = _lagged(np.clip(motion.celsius - 30, 0, None), 300.0)
    steam = scenario.steam * warm / max(warm.max(), 1e-9)
    end = 1.0 / scenario.end_of_line_ohm if scenario.end_of_line_ohm else 0.0
    law = draw_law(rng) if scenario.any_pad else PadLaw()
    hum = scenario.hum_codes * np.sin(2 * np.pi * 0.13 * since + rng.uniform(0, 6))
    drawing = (motion.power > 1000) | (motion.outlet > 0.5)
    spinning = motion.phase == PHASES.index("spin")
    channels: dict[str, Array] = {}
    for zone in ZONES:
        own = 10.0 ** rng.uniform(-8.5, -7.0)
        drift = scenario.humidity_drift * t * rng.uniform(0.8, 1.2)
        dry = own * 10.0 ** (drift + steam * rng.uniform(0.7, 1.3)) * (1 + 0.02 * (warm / 20))
        dry = dry + 2e-7 * (10.0 ** (steam * rng.uniform(0.8, 1.2)) - 1.0)
        total = pad_siemens(water[zone], dry, scenario.us_per_cm, law) + end
        if scenario.drifts == zone:
            total *= 10.0 ** (DRIFT_DECADES * t)
        if scenario.broken == zone:
            total[n // 3 :] = 1e-12
        if scenario.shorted == zone:
            total[n // 2 :] = 0.5
        codes = (
            hum
            + scenario.relay_codes * drawing[at]
            + scenario.shaking_codes * spinning[at] * rng.standard_normal(count)
        )
        channels[zone] = convert(total[at], scenario.divider_ohm, scenario.bits, rng, codes)
    if scenario.tilt_told:
        slow = np.full(count, scenario.floor.tilt_across)
        channels["tilt-across"] = slow + 0.0008 * rng.standard_normal(count)
    wiring = {
        z: {"divider_ohm": scenario.divider_ohm, "end_of_line_ohm": scenario.end_of_line_ohm} for z in ZONES
    }
    node = Node("pads", "pads", scenario.rate_hz, float(rng.uniform(-100, 100)), scenario.network)
    return list(say(scenario.bench, node, EPOCH, channels, {"pads": wiring}, rng))


def _lagged(x: Array, seconds: float) -> Array:
    """Follow ``x`` with a time constant, as air under a machine follows its tub."""
    keep = float(np.exp(-1.0 / (RATE * seconds)))
    out: Array = lfilter([1.0 - keep], [1.0, -keep], x)
    return out


def _phase_messages(scenario: Scenario, motion: Motion, rng: np.random.Generator) -> list[Message]:
    seconds = len(motion.phase) // RATE
    count = int(seconds * scenario.rate_hz)
    width = RATE / scenario.rate_hz
    edges = (np.arange(count + 1) * width).astype(int)

    def mean(x: Array) -> Array:
        total = np.concatenate(([0.0], np.cumsum(x)))
        out: Array = (total[edges[1:]] - total[edges[:-1]]) / np.maximum(np.diff(edges), 1)
        return out

    known: dict[str, Array] = {
        "power": _metered(motion.power, scenario), "current": _metered(_amperes(motion, scenario), scenario), "vibration": motion.vibration,
        "inlet": motion.inlet, "outlet": motion.outlet,
    }  # fmt: skip
    channels = {name: mean(known[name]) for name in scenario.signals}
    words = motion.phase[::RATE][:seconds] if scenario.says_phase else None
    if not channels and words is None:
        return []
    node = Node("phase", "phase", scenario.rate_hz, float(rng.uniform(-100, 100)), scenario.network)
    return list(say(scenario.bench, node, EPOCH, channels, {}, rng, words))


def _metered(x: Array, scenario: Scenario) -> Array:
    return _lagged(x, scenario.meter_lag_s) if scenario.meter_lag_s else x


def _amperes(motion: Motion, scenario: Scenario) -> Array:
    """RMS current: the element's in phase, the other loads' by their power factor, the filter's a quarter turn off."""
    element = np.where(motion.power > ELEMENT_FROM_W, motion.power, 0.0)
    loads = (motion.power - element) / 230.0 / scenario.power_factor
    moves = np.flatnonzero(motion.phase != PHASES.index("idle"))
    awake = np.zeros(len(motion.power))
    if len(moves):
        awake[moves[0] : moves[-1] + 1] = scenario.filter_a
    out: Array = np.hypot(element / 230.0 + loads, awake)
    return out


def _spans(motion: Motion) -> list[tuple[str, float, float]]:
    out: list[tuple[str, float, float]] = []
    at = EPOCH
    for name, seconds in motion.steps:
        out.append((name, at, at + seconds))
        at += seconds
    return out


def demo_scenario(*, leaking: bool = True) -> Scenario:
    """A front loader after a repair, whose dispenser-to-tub hose weeps while water is let in; or the same, dry."""
    leak = Leak("dispenser-hose", ml_min=6.0) if leaking else None
    return Scenario(seed=417, programmes=("quick",), leak=leak, tilt_told=True, plan="repair-check")


__all__ = ["MachineKind", "Scenario", "Truth", "demo_scenario", "simulate"]
