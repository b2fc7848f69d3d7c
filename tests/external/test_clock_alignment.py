"""Clock alignment against published numbers and a linear programme."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from soaktest.analysis.clock import align

T = np.arange(11.0) * 100.0  # long enough for a skew to be looked for
Q = np.array([4, 0, 10, 3, 0, 6, 2, 0, 9, 1, 0]) * 1e-3


def test_skew_survives_one_sided_delays_where_least_squares_fails() -> None:
    """Construction after Moon, Skelly and Towsley (IEEE INFOCOM 1999): delay never negative."""
    delay = 0.050 + 200e-6 * T + Q

    line = align(T, T + delay)
    fitted = np.polyfit(T, delay, 1)[0]

    assert line.skew == pytest.approx(200e-6, abs=1e-9)
    assert line.offset == pytest.approx(0.050, abs=1e-6)
    assert abs(fitted - 200e-6) > 2e-6


@given(st.lists(st.floats(0, 0.5), min_size=12, max_size=60), st.floats(-90e-6, 90e-6))
def test_hull_edge_equals_the_linear_programme(delays: list[float], skew: float) -> None:
    """Moon, Skelly and Towsley's linear programme: minimise the sum of distances above the line."""
    t = np.arange(len(delays)) * 60.0
    d = 0.1 + skew * t + np.array(delays)
    bound = 300e-6
    best = linprog(
        [-t.sum(), -len(t)],
        A_ub=np.column_stack([t, np.ones_like(t)]),
        b_ub=d,
        bounds=[(-bound, bound), (None, None)],
    )

    line = align(t, t + d)

    gap = float(np.sum(d - line.skew * t - (line.offset + 0.0)))
    assert gap == pytest.approx(float(d.sum() + best.fun), abs=1e-4 * len(t))


@pytest.mark.parametrize(("ppm", "late_s"), [(10, 0.108), (50, 0.540), (100, 1.08)])
def test_an_unseen_skew_would_cost_these_seconds_in_three_hours(ppm: float, late_s: float) -> None:
    """Skew over a 3 h run (arithmetic from RFC 5905's definition of frequency error); aligned, it is gone."""
    t = np.arange(0.0, 3 * 3600.0 + 1, 1.0)
    arrival = 1e9 + t * (1 + ppm * 1e-6) + 0.01

    assert t[-1] * ppm * 1e-6 == pytest.approx(late_s, rel=1e-3)
    assert align(t, arrival).bench_time(t)[-1] == pytest.approx(arrival[-1], abs=1e-3)


@pytest.mark.parametrize(("ppm", "a_day_s"), [(15.0, 1.296), (78.0, 6.739), (23.15, 2.0)])
def test_a_known_skew_is_found_to_a_tenth_of_a_second_a_day(ppm: float, a_day_s: float) -> None:
    """RFC 5905, section 10: 15 ppm "amounts to about 1.3 s per day"; Mills' survey: 78 ppm, almost 7 s a day."""
    rng = np.random.default_rng(int(ppm))
    node = np.arange(0.0, 10_800.0, 1.0)
    arrival = 1.7e9 + node * (1 + ppm * 1e-6) + rng.exponential(0.02, len(node))

    line = align(node, arrival)

    assert abs(line.skew * 86_400 - a_day_s) < 0.1


def test_one_way_delay_stays_in_the_offset_and_no_more() -> None:
    """RFC 5905, section 8: what cannot be seen is at most the delay itself; here the shortest of many."""
    rng = np.random.default_rng(5)
    node = np.arange(0.0, 3600.0, 1.0)
    delay = 0.03 + rng.exponential(0.05, len(node))

    line = align(node, 1.7e9 + node + delay)

    off = line.bench_time(node) - (1.7e9 + node)
    assert np.all(off >= 0.03 - 0.002)
    assert np.all(off <= 0.03 + line.error_s)
