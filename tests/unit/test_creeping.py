"""Water that creeps into a pad: dated where it left the dry level, which had followed its beginning."""

import numpy as np
import pytest

from tests.unit.test_small_rises import T0, Array, clock, events_of

CAME_S = 1000.0


def front(faster_s: float) -> Array:
    """Decades of a front that spreads faster and faster, from the first second on, and slows as the pad fills."""
    since = np.clip(clock() - CAME_S, 0.0, None)
    grown = 0.02 * (np.exp(np.minimum(since, 6 * faster_s) / faster_s) - 1.0)
    out: Array = 2.0 * grown / (2.0 + grown)
    return out


@pytest.mark.parametrize("swing", [0.0, 0.002])
@pytest.mark.parametrize("faster_s", [55.0, 80.0])
def test_a_front_is_dated_where_it_left_the_dry_level(faster_s: float, swing: float) -> None:
    """Half a drop's worth came one to two minutes later, and the level had crept along with it until then."""
    (event,) = events_of(front(faster_s), swing=swing)

    assert event.onset - T0 == pytest.approx(CAME_S, abs=20)
    assert event.onset_low - T0 <= CAME_S + 12
    assert event.onset_high > event.onset


def test_damp_air_before_a_leaks_drops_is_not_their_beginning() -> None:
    """Half an hour of damp air, and then the water, far faster."""
    t = clock()
    damp = np.interp(t, [600, 1400], [0.0, 0.06])
    (event,) = events_of(damp + np.where(t >= 1500, 1 - np.exp(-(t - 1500) / 60), 0.0))

    assert event.onset - T0 == pytest.approx(1500, abs=10)


def test_a_pad_that_drifted_for_as_long_as_it_was_heard_crept_from_nowhere() -> None:
    """No quiet level came before: what set in by an edge is dated by that."""
    t = clock()
    (event,) = events_of(0.00006 * t + np.where(t >= 1200, 0.8 * (1 - np.exp(-(t - 1200) / 40)), 0.0))

    assert event.onset - T0 == pytest.approx(1200, abs=10)
