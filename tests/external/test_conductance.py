"""Divider and cell arithmetic against published conductivities."""

import numpy as np
import pytest

from soaktest.analysis.conductance import SOAKED_S, conductance, ml_for_rise, rise_for_ml
from soaktest.analysis.series import PadWiring


@pytest.mark.parametrize(("us_per_cm", "ohm"), [(200, 5000.0), (500, 2000.0), (1408.23, 710.1)])
def test_a_cell_of_known_water_reads_its_conductance(us_per_cm: float, ohm: float) -> None:
    """R = K / kappa, K = 100 per m; 1408.23 uS/cm is 0.01 mol/kg KCl at 25 C (CRC Handbook, Pratt et al. 2001)."""
    divider = 100_000.0
    ratio = divider / (divider + ohm)

    assert 1 / conductance(np.array([ratio]), PadWiring(divider))[0] == pytest.approx(ohm, rel=1e-3)


@pytest.mark.parametrize("divider", [47e3, 100e3, 220e3])
def test_the_divider_does_not_matter(divider: float) -> None:
    """The same pad on another divider is the same conductance (Ohm's law)."""
    siemens = np.logspace(-8, -3, 11)
    ratio = siemens * divider / (1 + siemens * divider)

    assert conductance(ratio, PadWiring(divider)) == pytest.approx(siemens, rel=1e-9)


def test_tap_water_soaks_to_about_the_scale_end() -> None:
    """Drinking water holds to 2,500 uS/cm at most (98/83/EC, 2020/2184); usual tap water, 200 to 800 (from memory)."""
    assert SOAKED_S * 1000 > 200e-6 * 100 / 100
    assert pytest.approx(1 / 1000) == SOAKED_S


def test_millilitres_and_rise_are_each_others_inverse() -> None:
    """At the cautious end of the range, water → rise → water is the identity."""
    for ml in (0.2, 1.0, 5.0):
        assert ml_for_rise(rise_for_ml(ml, -6.3), -6.3)[2] == pytest.approx(ml, rel=1e-6)
