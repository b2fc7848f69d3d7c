"""Drums and pumps that draw alike, and meters that hardly tell them apart, on cycles built by hand: each once misled the reading."""

import numpy as np
import pytest

from soaktest.analysis.phase_frames import frames_of
from soaktest.analysis.phase_runs import runs_of
from soaktest.analysis.phases import infer_phases
from soaktest.analysis.pump_draw import meter_noise
from soaktest.analysis.series import Floats, Series, Signals
from soaktest.analysis.weak_strokes import weak_strokes
from soaktest.vocabulary import PHASES, Phase
from tests.unit.test_phase_signals import CYCLE, T0, Step, machine, only, right, second_of


def tumbling(heard: dict[str, Floats], watts: Floats, on_s: int, off_s: int, *, over: float = 3.0) -> None:
    """Each wash and rinse with strokes of so many seconds, the next stroke at the next of ``watts``."""
    begin = 0
    for phase, seconds in CYCLE:
        if phase in ("wash", "rinse"):
            beat, within = np.divmod(np.arange(seconds), on_s + off_s)
            part = over + watts[beat % len(watts)] * (within < on_s)
            heard["power"][begin : begin + seconds] = part
        begin += seconds


def as_sampled(heard: dict[str, Floats], step: int, *phases: Phase) -> float:
    """Share of the seconds of these phases that are told right from a mean over each ``step`` seconds."""
    power = heard["power"][: len(heard["power"]) // step * step].reshape(-1, step).mean(axis=1)
    series = Series(T0 + step * (np.arange(len(power)) + 1.0), power)
    track = infer_phases(Signals(T0, T0 + len(heard["power"]), others={"power": series}))
    true = np.concatenate([np.full(seconds, PHASES.index(phase)) for phase, seconds in CYCLE])
    asked = np.isin(true, [PHASES.index(phase) for phase in phases])
    return float((track.best[: len(true)] == true)[asked].mean())


def test_pauses_of_two_seconds_or_three_part_strokes_of_a_strong_drum() -> None:
    """Eighteen seconds on, and off for two or three as the sampling has it: too short to part strokes alone, too many for a spin."""
    heard = machine()
    on = np.ones(20_000)
    edge = 0
    for beat in range(900):
        edge += 18
        off = 3 if beat % 5 == 4 else 2
        on[edge : edge + off] = 0.0
        edge += off
    for phase, seconds in (("wash", 400), ("rinse", 200)):
        begin = second_of(CYCLE, phase)  # type: ignore[arg-type]
        heard["power"][begin : begin + seconds] = 3.0 + 160.0 * on[:seconds]

    t = T0 + np.arange(len(heard["power"])) + 1.0
    told = Signals(T0, float(t[-1]), others={"power": Series(t, heard["power"])})
    runs = runs_of(frames_of(told, T0, len(t), 140.0))
    at = (runs.start >= second_of(CYCLE, "wash")) & (runs.start < second_of(CYCLE, "wash") + 390)
    assert runs.block_s[at].max() < 25
    assert right(only(heard, "power"), CYCLE, "wash", "rinse") > 0.95
    assert right(only(heard, "power"), CYCLE, "spin") > 0.95


def test_a_strong_pump_is_told_through_a_meters_noise() -> None:
    """41 W to within 2.2: now less than a drum's least and now more."""
    heard = machine()
    begin = 0
    for phase, seconds in CYCLE:
        if phase in ("drain", "spin"):
            heard["power"][begin : begin + seconds] += 12.0
        begin += seconds
    rng = np.random.default_rng(3)
    heard["power"] = np.maximum(heard["power"] + 2.2 * rng.standard_normal(len(heard["power"])), 0.0)

    assert meter_noise(heard["power"], 1.0) == pytest.approx(2.2, abs=0.7)
    assert right(only(heard, "power"), CYCLE) > 0.95


@pytest.mark.parametrize("step", [1, 2])
@pytest.mark.parametrize(("on", "off"), [(26, 11), (16, 8)])
def test_a_drum_at_now_fewer_watts_than_a_pump_and_now_more_is_told_by_its_rhythm(
    on: int, off: int, step: int
) -> None:
    """Strokes at 36 to 62 W, as flat as a pump of 38 W draws."""
    heard = machine()
    tumbling(heard, np.array([58.0, 44.0, 37.0, 52.0, 36.0, 62.0, 40.0, 49.0]), on, off)
    begin = 0
    for phase, seconds in CYCLE:
        if phase in ("drain", "spin"):
            heard["power"][begin : begin + seconds] += 9.0
        begin += seconds

    assert as_sampled(heard, step, "wash", "rinse") > 0.95
    assert as_sampled(heard, step, "drain", "spin") > 0.95


def test_flat_strokes_of_a_little_more_than_a_pumps_watts_are_no_pump() -> None:
    """Of strokes at 46 to 70 W and of 27 s, with pauses of hardly more than a sample, the weaker ones drain nothing."""
    heard = machine()
    tumbling(heard, np.array([64.0, 46.0, 58.0, 70.0, 45.0, 55.0, 61.0]), 27, 3)
    rng = np.random.default_rng(5)
    heard["power"] += 0.5 * rng.standard_normal(len(heard["power"]))

    found = weak_strokes(heard["power"], 15.0, 42.0, 1.0)
    wash = slice(second_of(CYCLE, "wash") + 30, second_of(CYCLE, "wash") + 360)
    assert not found.weak[wash].any()
    assert found.of_the_drum[wash].mean() == pytest.approx(0.9, abs=0.03)
    assert right(only(heard, "power"), CYCLE, "wash", "rinse") > 0.9


def test_a_pump_that_pulses_at_more_watts_than_usual_is_no_drum() -> None:
    """47 W for six seconds of nine, where the drum turns for 22 at 178 W."""
    cycle: tuple[Step, ...] = (*CYCLE[:3], ("drain", 99), *CYCLE[4:6], ("drain", 90), *CYCLE[7:])
    heard = machine(cycle)
    begin = 0
    for phase, seconds in cycle:
        part = slice(begin, begin + seconds)
        if phase == "drain":
            heard["power"][part] = 3.0 + 44.0 * (np.arange(seconds) % 9 < 6)
        elif phase in ("wash", "rinse"):
            heard["power"][part] = 3.0 + 178.0 * (np.arange(seconds) % 31 < 22)
        begin += seconds

    assert right(only(heard, "power"), cycle, "drain") > 0.7
    assert right(only(heard, "power"), cycle, "wash", "rinse", "fill") > 0.95
