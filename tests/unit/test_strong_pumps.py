"""Pumps that draw more than a weak drum, and meters read now and then, on cycles built by hand: each once misled the reading."""

import numpy as np
import pytest

from soaktest.analysis.phase_frames import frames_of, grid
from soaktest.analysis.phase_levels import first_levels
from soaktest.analysis.phase_runs import runs_of
from soaktest.analysis.phases import infer_phases
from soaktest.analysis.pump_draw import pump_alone
from soaktest.analysis.series import Floats, Series, Signals
from soaktest.analysis.signals import gather
from soaktest.simulate.bench import Scenario, simulate
from soaktest.vocabulary import PHASES
from tests.unit.test_phase_signals import T0, Step, machine, only, right
from tests.unit.test_stirred_drains import STIRRED, begun, by_instants


def strong(power: Floats) -> float:
    """The strong pump's watts, as a meter read each second shows them."""
    t = T0 + np.arange(len(power)) + 1.0
    signals = Signals(T0, float(t[-1]), others={"power": Series(t, power)})
    return frames_of(signals, T0, len(power), 140.0).strong_pump


def stirred(pump_w: Floats, pause_s: int) -> dict[str, Floats]:
    """A machine whose drum turns in each drain from the eleventh second on, for a dozen seconds of each; ``pump_w`` by the second."""
    heard = machine(STIRRED)
    for begin, end in begun(STIRRED, "drain"):
        second = np.arange(end - begin)
        turns = (second > 10) & (second % (12 + pause_s) < 12)
        heard["power"][begin:end] = 3.0 + np.resize(pump_w, end - begin) + np.where(turns, 210.0, 0.0)
    return heard


def test_a_strong_pump_shows_in_pauses_of_three_seconds() -> None:
    """70 W, three seconds at a time, beneath strokes of 280."""
    heard = stirred(np.array([67.0]), 3)

    assert strong(heard["power"]) == pytest.approx(70.0, abs=2.0)
    assert right(only(heard, "power"), STIRRED, "drain") > 0.9


def test_a_strong_pump_beneath_strokes_is_told_though_it_runs_dry_before_a_spin() -> None:
    """90 W beneath the strokes, half of that in the last seconds before the spin."""
    heard = stirred(np.array([87.0]), 8)
    for _, end in begun(STIRRED, "drain"):
        heard["power"][end - 25 : end] = 48.0

    assert strong(heard["power"]) == pytest.approx(90.0, rel=0.1)
    assert right(only(heard, "power"), STIRRED, "drain") > 0.9


def test_of_two_flat_levels_the_higher_is_the_pump() -> None:
    """84 W while there is water, 52 when there is none: beneath a spin's first tries only the lower shows."""
    heard = machine(STIRRED)
    for begin, end in begun(STIRRED, "drain"):
        heard["power"][begin:end] = np.where(np.arange(end - begin) < end - begin - 30, 84.0, 52.0)
    for begin, _ in begun(STIRRED, "spin"):
        second = np.arange(100)
        heard["power"][begin : begin + 100] = np.where(second % 25 < 17, 160.0, 52.0)

    assert strong(heard["power"]) == pytest.approx(84.0, abs=3.0)


def test_what_draws_steadily_for_minutes_spins_at_the_strokes_own_watts_too() -> None:
    """An induction motor that draws the same at any speed, read every two seconds."""
    heard = stirred(np.where(np.arange(200) < 40, 24.0, 17.0), 8)
    rng = np.random.default_rng(4)
    for begin, end in begun(STIRRED, "spin"):
        heard["power"][begin:end] = 290.0 + rng.normal(0.0, 2.0, end - begin)
    for phase in ("wash", "rinse"):
        for begin, end in begun(STIRRED, phase):  # type: ignore[arg-type]
            heard["power"][begin:end] = 4.0 + 280.0 * (np.arange(end - begin) % 15 < 6)

    assert by_instants(heard["power"], 2, 1, "spin") > 0.9


def test_a_machine_awake_after_a_lone_spin_lets_nothing_in() -> None:
    """Three watts of display after a spin that nothing was let in before."""
    cycle: tuple[Step, ...] = (("idle", 180), ("drain", 70), ("spin", 190), ("idle", 375))
    power = np.zeros(815)
    power[180:250], power[250:440], power[440:670] = 22.0, 380.0, 3.0

    assert by_instants(power, 5, 4, "idle", cycle) > 0.95


def test_a_reading_every_ten_seconds_may_come_a_little_late() -> None:
    """Later than ten seconds by a tenth or two it speaks for its time all the same; after a gap it does not."""
    rng = np.random.default_rng(6)
    t = 10.0 * np.arange(1, 101) + rng.uniform(-0.25, 0.25, 100)
    assert not np.isnan(grid(Series(t, np.full(100, 5.0)), 0.0, 990)[5:]).any()

    kept = np.delete(t, 50)
    assert np.isnan(grid(Series(kept, np.full(99, 5.0)), 0.0, 990)[5:]).sum() == pytest.approx(17, abs=2)


def test_a_pump_that_is_heard_before_it_draws_is_no_weaker_for_that() -> None:
    """Three seconds of rest at the beginning of each drain, then 25 W, and 235 with the drum beside it."""
    heard = stirred(np.array([22.0]), 4)
    for begin, _ in begun(STIRRED, "drain"):
        heard["power"][begin : begin + 3] = 3.0
    pumping = heard["outlet"] > 0.5

    assert pump_alone(heard["power"], pumping, 14.0) == pytest.approx(25.0)
    assert right(heard, STIRRED, "drain") > 0.9


@pytest.mark.parametrize("seed", [3, 11])
def test_a_simulated_drum_that_draws_alike_at_any_speed_is_told_to_spin(seed: int) -> None:
    """The simulator's own: its spin draws what its strokes do, and power is all that is heard."""
    recording, truth = simulate(
        Scenario(seed=seed, programmes=("cotton",), signals=("power",), flat_spin=True)
    )
    signals = gather(recording)
    power, track = signals.other("power"), infer_phases(signals)
    spins = [(begin, end) for name, begin, end in truth.phases if name == "spin"]
    begin, end = spins[-1]

    assert 80 < np.median(power.v[(power.t > begin + 5) & (power.t < end - 5)]) < 290
    said = [track.best[int(a - track.t0) : int(b - track.t0)] == PHASES.index("spin") for a, b in spins]
    assert min(np.mean(one) for one in said) > 0.9


def test_a_drum_that_gathers_speed_flatly_is_no_strong_pump_beside_an_ordinary_one() -> None:
    """91 W before each spin gathers speed, in a machine whose pump draws 22 in each of its drains, alone at first and beneath strokes."""
    heard = machine(STIRRED)
    for begin, end in begun(STIRRED, "drain"):
        second = np.arange(end - begin)
        heard["power"][begin:end] = 3.0 + 22.0 + 120.0 * ((second > 40) & (second % 16 < 13))
    for begin, end in begun(STIRRED, "spin"):
        heard["power"][begin:end] = np.where(np.arange(end - begin) < 25, 91.0, 330.0)

    assert np.isnan(strong(heard["power"]))
    assert right(only(heard, "power"), STIRRED, "drain", "fill") > 0.9


def test_a_level_near_the_strokes_is_a_pumps_where_it_comes_again_and_a_spin_follows_once() -> None:
    """74 W after the wash and after the rinse beneath strokes of 90: the one before the spin tells what the other is."""
    cycle: tuple[Step, ...] = (
        ("idle", 200), ("fill", 100), ("wash", 900), ("drain", 60), ("fill", 90), ("rinse", 240), ("drain", 60), ("fill", 90),
        ("rinse", 240), ("drain", 60), ("spin", 240), ("idle", 300),
    )  # fmt: skip
    heard = machine(cycle)
    power = heard["power"]
    power[power > 140.0] = 90.0
    for begin, end in begun(cycle, "drain"):
        power[begin : begin + 25] = 74.0
        power[begin + 25 : end] = 68.0 + 8.0 * (np.arange(end - begin - 25) % 2)
    for begin, end in begun(cycle, "spin"):
        power[begin:end] = np.minimum(120.0 + 2.0 * np.arange(end - begin), 330.0)

    assert strong(power) == pytest.approx(74.0, abs=3.0)


def test_a_display_lit_for_long_before_and_after_is_no_valve() -> None:
    """Five watts over rest for ten minutes at either end; the valve draws nine."""
    cycle: tuple[Step, ...] = (("idle", 600), *STIRRED[1:-1], ("idle", 600))
    power = machine(cycle)["power"]
    for begin, end in begun(cycle, "idle"):
        power[begin:end] = 8.0
    for begin, end in begun(cycle, "fill"):
        power[begin:end] = 12.0
    signals = Signals(T0, T0 + len(power), others={"power": Series(T0 + np.arange(len(power)) + 1.0, power)})
    frames = frames_of(signals, T0, len(power), 140.0)

    assert first_levels(frames, runs_of(frames))[0].valve == pytest.approx(9.0, abs=1.0)
