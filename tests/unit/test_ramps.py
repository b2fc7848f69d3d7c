"""Spins that climb, and pumps that start together with the drum, on cycles built by hand: each once misled the reading."""

import numpy as np
import pytest

from soaktest.analysis.phase_frames import frames_of
from soaktest.analysis.phase_runs import runs_of
from soaktest.analysis.pump_draw import noise_nearby, pump_alone
from soaktest.analysis.series import Floats, Series, Signals
from tests.unit.test_phase_signals import CYCLE, T0, machine, only, right, second_of


def ramp(heard: dict[str, Floats], name: str, low: float, high: float) -> slice:
    """The spin as one climb over the first four fifths of it."""
    begin = second_of(CYCLE, "spin")
    seconds = dict(CYCLE)["spin"]
    there = np.minimum(np.arange(seconds) / (0.8 * seconds), 1.0)
    heard[name][begin : begin + seconds] = low + (high - low) * there
    return slice(begin, begin + seconds)


def test_a_drum_that_draws_more_and_more_gathers_speed() -> None:
    """From less than its strokes draw to a little more: a climb is no stroke."""
    heard = machine()
    spin = ramp(heard, "power", 90.0, 210.0)
    t = T0 + np.arange(len(heard["power"])) + 1.0
    told = Signals(T0, float(t[-1]), others={"power": Series(t, heard["power"])})
    runs = runs_of(frames_of(told, T0, len(t), 140.0))

    at = np.searchsorted(runs.start, spin.start + 40, side="right") - 1
    assert runs.climb[at] == pytest.approx(210 / 106, rel=0.15)
    strokes = (runs.start < second_of(CYCLE, "spin")) & (runs.turning == 1)
    assert runs.climb[strokes].max() < 1.5
    assert right(only(heard, "power"), CYCLE, "spin") > 0.9


def test_a_level_of_three_samples_is_no_climb() -> None:
    """Coarse samples that happen to rise say nothing."""
    heard = machine()
    ramp(heard, "power", 90.0, 210.0)
    power = heard["power"][: len(heard["power"]) // 30 * 30 : 30]
    t = T0 + 30.0 * (np.arange(len(power)) + 1.0)
    told = Signals(T0, float(t[-1]), others={"power": Series(t, power)})

    assert runs_of(frames_of(told, T0, int(t[-1] - T0), 140.0)).climb.max() == 1.0


def test_the_pumps_own_draw_is_its_least_where_the_drum_starts_with_it() -> None:
    """43 W out of a wash, 163 W wherever the drum starts with it out of rest."""
    watts, pumping = np.full(900, 2.0), np.zeros(900, dtype=bool)
    for begin, level in ((100, 43.0), (300, 163.0), (500, 162.0), (700, 161.0)):
        pumping[begin : begin + 60], watts[begin : begin + 60] = True, level
    watts[80:100] = 240.0

    assert pump_alone(watts, pumping) == pytest.approx(43.0, abs=1.0)


def test_amperes_noise_is_read_where_they_flow_and_strokes_are_no_noise() -> None:
    """A pump's current to within three in a hundred; a drum's wanders by fifteen."""
    rng = np.random.default_rng(2)
    pump, drum = 70.0 * (1 + 0.03 * rng.standard_normal(200)), 140.0 * (1 + 0.15 * rng.standard_normal(200))
    noise = noise_nearby(np.concatenate([pump, drum]), 1.0)

    assert np.median(noise[20:180]) == pytest.approx(2.1, rel=0.3)
    assert not noise[230:].any()
