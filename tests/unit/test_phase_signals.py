"""What a machine's signals say of its phases, on cycles built by hand: most of these once misled the reading."""

from collections.abc import Sequence

import numpy as np
import pytest

from soaktest.analysis.phases import infer_phases
from soaktest.analysis.series import Floats, Series, Signals
from soaktest.vocabulary import PHASES, Phase

T0 = 1.764e9
Step = tuple[Phase, int]
CYCLE: tuple[Step, ...] = (
    ("idle", 240), ("fill", 90), ("wash", 400), ("drain", 70), ("fill", 80), ("rinse", 200), ("drain", 60),
    ("spin", 240), ("idle", 500),
)  # fmt: skip
DIRECT = ("vibration", "inlet", "outlet")


def strokes(seconds: int) -> Floats:
    """1 while the drum turns: 10 s on, 6 s off."""
    return (np.arange(seconds) % 16 < 10).astype(float)


def machine(
    cycle: Sequence[Step] = CYCLE,
    *,
    pump_shake: float = 0.02,
    stroke_shake: float = 0.5,
    floor: float = 0.01,
    element_w: float = 2000.0,
) -> dict[str, Floats]:
    """Signals second by second, shape (seconds,) each; a little noise on the analogue ones."""
    rng = np.random.default_rng(7)
    parts: dict[str, list[Floats]] = {
        name: [] for name in ("power", "current", "vibration", "inlet", "outlet")
    }
    for phase, seconds in cycle:
        still = np.zeros(seconds)
        turns = strokes(seconds) if phase in ("wash", "rinse", "heat") else still
        speed = np.minimum(np.arange(seconds) / 60.0, 1.0) if phase == "spin" else still
        inlet, outlet = still + (phase == "fill"), still + (phase in ("drain", "spin"))
        loads = 8.0 * inlet + 26.0 * outlet + 140.0 * turns + 300.0 * speed
        heat = element_w * (phase == "heat")
        parts["power"].append(3.0 + loads + heat)
        parts["current"].append(np.hypot(0.05, loads / 230.0 / 0.65) + heat / 230.0)
        shaken = np.sqrt(
            (stroke_shake * turns) ** 2
            + (pump_shake * outlet) ** 2
            + (stroke_shake * (phase == "spin") * (1 + 3 * speed)) ** 2
        )
        parts["vibration"].append(np.hypot(shaken, floor) * rng.uniform(0.9, 1.1, seconds))
        parts["inlet"].append(inlet)
        parts["outlet"].append(outlet)
    return {name: np.concatenate(pieces) for name, pieces in parts.items()}


def right(heard: dict[str, Floats], cycle: Sequence[Step], *phases: Phase) -> float:
    """Share of the seconds of these phases (of all, where none is named) that are said to be so."""
    length = sum(seconds for _, seconds in cycle)
    t = T0 + np.arange(length) + 1.0
    track = infer_phases(Signals(T0, T0 + length, others={name: Series(t, v) for name, v in heard.items()}))
    true = np.concatenate([np.full(seconds, PHASES.index(phase)) for phase, seconds in cycle])
    asked = np.isin(true, [PHASES.index(phase) for phase in phases or PHASES])
    return float((track.best[:length] == true)[asked].mean())


def only(heard: dict[str, Floats], *names: str) -> dict[str, Floats]:
    return {name: heard[name] for name in names}


@pytest.mark.parametrize("pump_shake", [0.05, 0.4, 1.0])
def test_a_pump_that_shakes_like_a_drum_is_no_spin(pump_shake: float) -> None:
    """Vibration, inlet and outlet alone: what the pump shakes by itself is learned and taken off."""
    heard = only(machine(pump_shake=pump_shake), *DIRECT)

    assert right(heard, CYCLE, "drain") > 0.9
    assert right(heard, CYCLE, "spin") > 0.8
    assert right(heard, CYCLE) > 0.95


@pytest.mark.parametrize("stroke_shake", [0.02, 0.1, 3.0])
def test_strokes_are_felt_near_the_sensors_noise_and_beside_a_hard_spin(stroke_shake: float) -> None:
    """Twice the noise is enough: the levels of rest and strokes are learned where no drum spins."""
    assert right(only(machine(stroke_shake=stroke_shake), *DIRECT), CYCLE, "wash", "rinse") > 0.95


def test_a_valve_that_looks_at_its_level_now_and_then_is_still_filling() -> None:
    """Pauses of under 20 s belong to what they interrupt (the contract of the phases)."""
    heard = machine()
    fill = slice(240, 330)
    heard["inlet"][fill] *= np.arange(90) % 25 < 12

    assert right(only(heard, *DIRECT), CYCLE, "fill") > 0.9
    assert right(heard, CYCLE, "fill") > 0.9


@pytest.mark.parametrize("names", [("power",), DIRECT])
def test_a_soak_is_idle_and_a_short_pause_is_not(names: tuple[str, ...]) -> None:
    """A drum at rest for a minute in a wash, and for 14 s."""
    cycle = (*CYCLE[:2], ("wash", 250), ("idle", 60), ("wash", 250), *CYCLE[3:])
    heard = machine(cycle)
    for name, rest in (("power", 3.0), ("vibration", 0.01)):
        heard[name][440:454] = rest

    assert right(only(heard, *names), cycle, "idle") > 0.97
    assert right(only(heard, *names), cycle, "wash") > 0.97


def test_amperes_show_a_small_element() -> None:
    """1.2 kW draws 5.2 A: less than a large motor's watts, more than its amperes; and a filter's current hides no pump."""
    cycle = (*CYCLE[:2], ("wash", 200), ("heat", 600), ("wash", 200), *CYCLE[3:])
    heard = only(machine(cycle, element_w=1200.0), "current")

    assert right(heard, cycle, "heat") > 0.98
    assert right(heard, cycle, "drain", "spin") > 0.9


def test_a_pause_of_the_element_belongs_to_the_heating() -> None:
    cycle = (*CYCLE[:2], ("wash", 200), ("heat", 300), ("wash", 200), *CYCLE[3:])
    heard = machine(cycle)
    heard["power"][700:716] -= 2000.0

    assert right(only(heard, "power"), cycle, "heat") > 0.98


def test_a_knock_on_a_machine_at_rest_is_no_wash() -> None:
    heard = machine()
    heard["vibration"][[12, 100, 190]] = 2.0

    assert right(heard, CYCLE, "idle") > 0.99
    assert right(only(heard, *DIRECT), CYCLE, "idle") > 0.99


def test_a_long_top_up_in_a_wash_needs_no_drain_before_it() -> None:
    """Power alone: 30 s of valve in mid-wash let water in, and a wash goes on after it."""
    cycle = (*CYCLE[:2], ("wash", 200), ("fill", 30), ("wash", 300), *CYCLE[3:])

    assert right(only(machine(cycle), "power"), cycle, "wash") > 0.95
