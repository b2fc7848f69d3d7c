"""A small run of the accuracy figures, and real machines where they are: fails under its floors.

The floors lie below what a full run reached (python -m tests.accuracy.run --runs 160), by what so few cases scatter.
"""

from collections import Counter

import pytest

from tests.accuracy.real_power import folder, macro_f1, measure
from tests.accuracy.run import measure as simulated

FLOORS = {
    "event F1, 20 s": 0.90, "event F1, minutes": 0.93, "phases, all": 0.97, "phases, vib+in+out": 0.95, "phases, power": 0.92,
    "phases, current": 0.90, "phase held responsible": 0.80, "suspect in three": 0.70, "cause": 0.90,
}  # fmt: skip
CEILINGS = {
    "false pass": 0.0,
    "false fail": 0.0,
    "needless retest": 0.06,
    "onset error, median s": 1.5,
    "calibration, suspects": 0.06,
}


@pytest.mark.timeout(600)
def test_simulated_benches_stay_above_their_floors() -> None:
    """Sixty hard runs, on all cores."""
    got = {name: value for name, (value, _) in simulated(60, 7000, quiet=True).items()}

    assert {n: got[n] for n, floor in FLOORS.items() if got[n] < floor} == {}
    assert {n: got[n] for n, top in CEILINGS.items() if got[n] > top} == {}


def test_real_machines_power_stays_above_its_floor() -> None:
    """Labelled by eye; development recordings, so a floor against regressions and no claim of accuracy."""
    where = folder()
    if where is None:
        pytest.skip("SOAKTEST_OPEN_DATA is not set")
    scores = list(measure(where))
    total: Counter[tuple[str, str]] = sum((s.confusion for s in scores), Counter())
    right = sum(n for (a, b), n in total.items() if a == b) / sum(total.values())

    assert right > 0.92
    assert macro_f1(total) > 0.91
    assert min(s.share for s in scores) > 0.86
