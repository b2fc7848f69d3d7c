"""Rises that are each too small to be confirmed: drops on a pad that shows little of each, told from damp air."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from soaktest.analysis.events import PadEvent
from soaktest.analysis.pad_noise import Noise
from soaktest.analysis.pads import read_pads
from soaktest.analysis.series import PadWiring, Series, Signals
from soaktest.analysis.signals import gather
from soaktest.analysis.small_rises import IN_STEPS, by_drops, share_of_steps
from soaktest.simulate.bench import simulate
from tests.accuracy.scenarios import draw

Array = NDArray[np.float64]
T0, LENGTH_S, RATE = 1_764_000_000.0, 2400, 2.0
DRY_S = 5.5e-7
WIRING = PadWiring(100_000.0, 2_200_000.0)
DROPS_S = (800, 840, 1200, 1218, 1235, 1252, 1270, 1300, 1370, 1460)


def clock() -> Array:
    out: Array = np.arange(0.0, LENGTH_S, 1.0 / RATE)
    return out


def events_of(
    rise: Array, *, swing: float = 0.0, seed: int = 0, heard: Array | None = None
) -> list[PadEvent]:
    """Events of a pad that is ``rise`` decades over its dry level, with hum that swings by so many decades."""
    rng, t = np.random.default_rng(seed), clock()
    siemens = DRY_S * 10.0 ** (rise + swing * np.sin(2 * np.pi * t / 17.0))
    ratio = siemens * 1e5 / (1 + siemens * 1e5) + rng.normal(0, 2e-5, len(t))
    codes = np.round(ratio * 65_535) / 65_535
    keep = np.ones(len(t), bool) if heard is None else heard
    pad = Series(T0 + t[keep], codes[keep])
    signals = Signals(
        began=T0, ended=T0 + LENGTH_S, pads={"left": pad}, wiring={"left": WIRING}, others={}, phase_words=(),
        clock_error_s={}, lost_packs=0, set_aside=0,
    )  # fmt: skip
    return list(read_pads(signals)["left"].events)


def dropping(of: float, dries_s: float = 3000.0) -> Array:
    """Drops that bring so many decades each within a second, and dry slowly."""
    t = clock()
    out = np.zeros(len(t))
    for at in DROPS_S:
        out += np.where(t >= at, of * np.exp(-(t - at) / dries_s), 0.0)
    return out


@pytest.mark.parametrize("swing", [0.0, 0.004])
@pytest.mark.parametrize("seed", range(5))
def test_drops_of_which_a_pad_shows_little_each_are_water_together(swing: float, seed: int) -> None:
    (event,) = events_of(dropping(0.022), swing=swing, seed=seed)

    assert event.onset - T0 == pytest.approx(DROPS_S[0], abs=15)
    assert event.onset_low <= T0 + DROPS_S[0] <= event.onset_high


@pytest.mark.parametrize("swing", [0.0, 0.004])
@pytest.mark.parametrize("seed", range(5))
def test_damp_air_that_brings_as_much_as_slowly_is_not(swing: float, seed: int) -> None:
    t = clock()
    damp = 0.22 / (1 + np.exp(-(t - 1200) / 130.0))

    assert events_of(damp, swing=swing, seed=seed) == []


@pytest.mark.parametrize(("dries_s", "onsets"), [(2000, [900]), (500, [900, 1500])])
def test_the_first_drop_is_the_onset_and_a_wetting_by_itself_where_it_dried_before_the_water(
    dries_s: float, onsets: list[float]
) -> None:
    t = clock()
    drop = np.where(t >= 900, 0.05 * np.exp(-(t - 900) / dries_s), 0)
    events = events_of(drop + np.where(t >= 1500, 1 - np.exp(-(t - 1500) / 60), 0))

    assert [event.onset - T0 for event in events] == [pytest.approx(at, abs=6) for at in onsets]
    assert all(event.end is not None for event in events[:-1])


def test_air_that_grew_damp_before_the_water_is_not_its_onset() -> None:
    t = clock()
    damp = 0.06 / (1 + np.exp(-(t - 1000) / 60.0))
    (event,) = events_of(damp + np.where(t >= 1500, 1 - np.exp(-(t - 1500) / 60), 0))

    assert event.onset - T0 == pytest.approx(1500, abs=10)


def test_water_that_came_while_the_pad_was_not_heard_came_at_some_time_in_that_silence() -> None:
    t = clock()
    heard = (t < 900) | (t > 1000)
    (event,) = events_of(np.where(t >= 905, 1.0, 0.0), heard=heard)

    assert event.onset - T0 == pytest.approx(950, abs=3)
    assert event.onset_low - T0 <= 900
    assert event.onset_high - T0 >= 1000


def test_a_relays_step_on_a_pad_that_conducts_nothing_is_not_the_first_of_the_water() -> None:
    """A converter's few steps, a nanosiemens each, from 800 s on; the water came at 1,900 s, and was dated at 800."""
    rng, t = np.random.default_rng(2), clock()
    siemens = np.where(t >= 1900, 2e-6 * (1 - np.exp(-(t - 1900) / 60)), 0.0)
    relay = np.where(t >= 800, 4.0 + rng.integers(0, 2, len(t)), 0.0)
    codes = np.round(siemens * 2.2e5 / (1 + siemens * 2.2e5) * 4095) + relay
    signals = Signals(
        T0,
        T0 + LENGTH_S,
        pads={"left": Series(T0 + t, codes / 4095)},
        wiring={"left": PadWiring(2.2e5, None)},
    )
    (event,) = read_pads(signals)["left"].events

    assert event.onset - T0 == pytest.approx(1900, abs=20)


def test_a_rise_that_alarms_again_in_the_last_second_is_weighed_too() -> None:
    x = np.full(400, -6.25)
    x[392:] += 0.2
    noise = Noise(0.0015, 0.0015, (1e-6, 1e-4), 1 / 65_535, 1e5)

    assert (
        by_drops(np.arange(400.0), x, 0, [9], noise) is None
    )  # in the first seconds nothing is known of a dry level
    for alarms in ([399], [392, 399]):
        drops = by_drops(np.arange(400.0), x, 0, alarms, noise)
        assert drops is not None
        assert drops.onset == 392


def test_the_share_of_steps_is_large_for_steps_small_for_a_slope_and_hum_cancels() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(400.0)
    steps = 0.02 * np.floor(t / 40)
    hum = 0.004 * np.sin(2 * np.pi * t / 17)

    assert share_of_steps(steps + rng.normal(0, 0.0008, 400)) > IN_STEPS
    assert share_of_steps(steps + hum) > IN_STEPS
    for slope in (t * 0.0005, t * 0.0005 + hum, 0.2 / (1 + np.exp(-(t - 200) / 60)) + hum):
        assert share_of_steps(slope + rng.normal(0, 0.0008, 400)) < 0.6 * IN_STEPS


def test_an_interval_begins_before_the_first_trace_and_is_no_wider_than_it_need_be() -> None:
    """Water needs some seconds from a pad's edge to its tracks; a sharp step is dated to a second or two after that."""
    (event,) = events_of(np.where(clock() >= 1000, 2.0, 0.0))

    assert event.onset - T0 == pytest.approx(1000, abs=2)
    assert 5 <= event.onset - event.onset_low <= 12
    assert event.onset_high - event.onset <= 15


@pytest.mark.parametrize("seed", range(4))
def test_drops_that_come_to_less_than_any_single_rise_that_counts_are_water_where_there_are_many(
    seed: int,
) -> None:
    """Less than a tenth of a decade in all, in four drops: the eye sees each, and the dry level followed them."""
    t = clock()
    four = sum(np.where(t >= at, 0.022 * np.exp(-(t - at) / 3000), 0.0) for at in (900, 930, 965, 1010))
    found = events_of(np.asarray(four), seed=seed)

    assert [round(event.onset - T0) for event in found] == [pytest.approx(900, abs=3)]
    assert found[0].end is None or found[0].end > T0 + 1100


@pytest.mark.parametrize("rise", [0.05, 0.02])
def test_one_or_two_such_drops_are_no_event(rise: float) -> None:
    """A bead of dew falls once or twice."""
    t = clock()
    two = np.where(t >= 900, rise, 0.0) + np.where(t >= 925, 0.02, 0.0)

    assert not events_of(two)


@pytest.mark.parametrize("seed", range(4))
def test_hum_that_beats_while_the_air_grows_damp_is_no_row_of_drops(seed: int) -> None:
    """Up by a twelfth of a decade in twenty minutes, swinging by a hundredth every half minute."""
    t = clock()
    rise = 0.085 * np.clip((t - 600) / 1200, 0.0, 1.0) + 0.01 * np.sin(2 * np.pi * t / 31.0)

    assert not events_of(rise, seed=seed)


def test_a_first_drop_less_than_a_minute_before_the_bulk_is_the_onset() -> None:
    """It dries to a third of itself before more comes, fifty seconds after."""
    t = clock()
    rise = np.where(t >= 900, 0.045 * np.exp(-(t - 900) / 45.0), 0.0) + np.where(t >= 952, 0.6, 0.0)
    (event,) = events_of(rise)

    assert event.onset - T0 == pytest.approx(900, abs=3)


def test_a_relays_step_ten_minutes_before_damp_air_is_no_row_of_drops() -> None:
    """A simulated bench on which the element's relay shows, and steam comes much later: noise over so long a time makes steps enough."""
    recording, _ = simulate(draw(192130))
    events = read_pads(gather(recording))["centre"].events

    assert [round(event.onset - recording.header.began) for event in events] == [pytest.approx(1102, abs=30)]
