"""Drains in which the drum turns, rests read by instants, and a machine's own standby: on cycles built by hand."""

from itertools import pairwise

import numpy as np
import pytest

from soaktest.analysis.phases import infer_phases
from soaktest.analysis.series import Floats, Series, Signals
from soaktest.vocabulary import PHASES, Phase
from tests.unit.test_phase_signals import T0, Step, machine, only, right

STIRRED: tuple[Step, ...] = (
    ("idle", 200), ("fill", 100), ("wash", 900), ("drain", 200), ("spin", 150), ("fill", 90), ("rinse", 240), ("drain", 150),
    ("spin", 240), ("idle", 300),
)  # fmt: skip


def begun(cycle: tuple[Step, ...], phase: Phase) -> list[tuple[int, int]]:
    """First second and end of each step of a phase."""
    edges = np.cumsum([0, *(seconds for _, seconds in cycle)]).tolist()
    return [span for span, (name, _) in zip(pairwise(edges), cycle, strict=True) if name == phase]


@pytest.mark.parametrize("valve_w", [8.0, 13.0])
def test_a_drain_in_which_the_drum_turns_on_and_off_is_one_drain(valve_w: float) -> None:
    """Strokes of eight seconds, every fourteen, while the pump goes dry: the watts between them are a softener valve's as well."""
    heard = machine(STIRRED)
    for begin, end in begun(STIRRED, "drain"):
        second = np.arange(end - begin)
        pump = np.where(second < 30, 26.0, 15.0)
        heard["power"][begin:end] = 3.0 + pump + 120.0 * ((second > 30) & (second % 14 < 8))
    for begin, end in begun(STIRRED, "fill"):
        heard["power"][begin:end] = 3.0 + valve_w

    assert right(only(heard, "power"), STIRRED, "drain") > 0.9
    assert right(only(heard, "power"), STIRRED) > 0.95


def by_instants(
    power: Floats, step: int, first: int, phase: Phase = "wash", cycle: tuple[Step, ...] = STIRRED
) -> float:
    """Share of the phase's seconds that are told right by a reading every ``step`` seconds."""
    t = np.arange(first, len(power), step)
    track = infer_phases(Signals(T0, T0 + len(power), others={"power": Series(T0 + t + 1.0, power[t])}))
    said = np.concatenate([track.best[begin:end] for begin, end in begun(cycle, phase)])
    return float((said == PHASES.index(phase)).mean())


@pytest.mark.parametrize("step", [5, 6])
@pytest.mark.parametrize("seed", range(6))
def test_a_wash_read_by_instants_is_no_drain_and_rinse(step: int, seed: int) -> None:
    """A motor that runs down shows a pump's watts at some instants, twice in a row where the strokes go with the readings."""
    rng = np.random.default_rng(seed)
    power = machine(STIRRED)["power"]
    for phase in ("wash", "rinse"):
        for begin, end in begun(STIRRED, phase):  # type: ignore[arg-type]
            strokes = [
                np.concatenate(
                    ([36.0], 190.0 + rng.normal(0, 8, 8), [36.0], np.full(rng.integers(3, 8), 4.0))
                )
                for _ in range(100)
            ]
            power[begin:end] = np.concatenate(strokes)[: end - begin]
    for phase, watts in (("fill", 13.0), ("drain", 30.0)):
        for begin, end in begun(STIRRED, phase):  # type: ignore[arg-type]
            power[begin:end] = watts

    assert by_instants(power, step, seed % step) > 0.9


def test_a_filter_that_draws_more_on_standby_lets_in_no_water() -> None:
    """A machine whose standby draws some amperes more than its rest between strokes filled for as long as it stood there."""
    heard = machine(STIRRED)
    rng = np.random.default_rng(5)
    current = np.hypot(0.022, heard["current"] * (heard["current"] > 0.06))
    for begin, end in begun(STIRRED, "idle"):
        current[begin:end] = 0.042
    heard["current"] = np.maximum(current + rng.normal(0.0, 0.004, len(current)), 0.0)

    assert right(only(heard, "current"), STIRRED, "idle") > 0.95


@pytest.mark.parametrize("pump_w", [37.0, 41.0])
def test_a_pump_of_as_many_watts_as_part_a_pump_from_a_drum_is_a_pump(pump_w: float) -> None:
    """The emptiest level between rest and strokes lies under such a pump: with the drum at its strokes as well, it was all a drum."""
    heard = machine(STIRRED)
    rng = np.random.default_rng(4)
    for begin, end in begun(STIRRED, "drain"):
        second = np.arange(end - begin)
        turns = (second > 20) & (second % 18 < 6)
        heard["power"][begin:end] = 3.0 + pump_w + 120.0 * turns
    heard["power"] += rng.normal(0.0, 0.6, len(heard["power"]))

    assert right(only(heard, "power"), STIRRED, "drain", "wash", "rinse") > 0.93
