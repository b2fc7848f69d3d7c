"""Drops, puddles and rates against handbook numbers and a published algorithm's optimality conditions."""

import numpy as np
import pytest
from scipy.optimize import nnls

from soaktest.analysis.suspects import FIRST_ML, _threshold
from soaktest.layouts import read_layout
from soaktest.plans import DROP_ML

LAYOUT = read_layout("front-loader")


def test_a_drop_weighs_what_the_pharmacopoeia_says() -> None:
    """USP 32, general chapter 1101: a drop of water from the official dropper weighs 45 to 55 mg."""
    grams = DROP_ML * 0.998  # density of water at 20 C, kg/l

    assert 0.045 <= grams <= 0.055


def test_a_drop_a_second_is_three_millilitres_a_minute() -> None:
    """Arithmetic on the same dropper: 20 drops to the millilitre."""
    assert pytest.approx(3.0) == 60 * DROP_ML


def test_reaching_twice_as_far_takes_four_times_the_water() -> None:
    """A puddle of one film, and a wick by Washburn's law (Phys. Rev. 1921;17:273), grow with the root of time."""
    pad = LAYOUT.pad("centre")
    edge = pad.x_mm - pad.width_mm / 2
    near, far = _threshold(pad, np.array([edge - 60.0, edge - 120.0]), pad.y_mm) - FIRST_ML

    assert far / near == pytest.approx(4.0)


def test_rates_are_found_as_the_printed_example_of_nonnegative_least_squares() -> None:
    """C x = d of a numerical library's manual (lsqnonneg, first example): x = (0, 0.6929), residual 0.9118."""
    c = np.array([[0.0372, 0.2869], [0.6861, 0.7071], [0.6233, 0.6245], [0.6344, 0.6170]])
    d = np.array([0.8587, 0.1781, 0.0747, 0.8405])

    x, residual = nnls(c, d)

    assert x == pytest.approx([0.0, 0.6929], abs=5e-5)
    assert residual == pytest.approx(0.9118, abs=5e-5)
    slope = c.T @ (d - c @ x)
    assert slope[0] <= 0  # Karush-Kuhn-Tucker: negative on the zero, nought on the other
    assert slope[1] == pytest.approx(0.0, abs=1e-12)
