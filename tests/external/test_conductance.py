"""Divider and cell arithmetic against published conductivities."""

import numpy as np
import pytest

from soaktest.analysis.conductance import SOAKED_S, conductance, ml_for_rise
from soaktest.analysis.events import SIEMENS_PER_ML
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


@pytest.mark.parametrize("ml", [0.2, 1.0, 5.0])
def test_water_is_read_back_from_the_rise_that_it_makes(ml: float) -> None:
    """Conductances side by side add (Ohm's law): so much water of each kind over a dry pad of half a microsiemens."""
    dry = 5e-7
    for kind, siemens_per_ml in enumerate(SIEMENS_PER_ML):
        rise = np.log10((dry + siemens_per_ml * ml) / dry)
        assert ml_for_rise(float(rise), float(np.log10(dry)))[2 - kind] == pytest.approx(ml, rel=1e-6)
