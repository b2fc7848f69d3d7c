"""Meters that read an instant, told from those that send a mean, by what they show of changes at known moments."""

import numpy as np
import pytest

from soaktest.analysis.series import Floats, Series
from soaktest.analysis.spot_readings import centred


def switched(seed: int, seconds: int = 3000) -> Floats:
    """An element of 1.5 kW that is switched at any moment, in tenths of seconds, shape (10 * seconds,)."""
    rng = np.random.default_rng(seed)
    on, at, watts = False, 0, np.full(10 * seconds, 4.0)
    while at < len(watts):
        until = at + int(rng.integers(400, 1500))
        if on:
            watts[at:until] = 1504.0
        on, at = not on, until
    return watts


def sampled(watts: Floats, step: int, *, mean: bool) -> Series:
    """A sample each ``step`` seconds: of the time since the one before, or of its instant."""
    parts = watts[: len(watts) // (10 * step) * 10 * step].reshape(-1, 10 * step)
    return Series(step * (np.arange(len(parts)) + 1.0), parts.mean(axis=1) if mean else parts[:, -1])


@pytest.mark.parametrize("step", [2, 5, 8])
@pytest.mark.parametrize("seed", range(8))
def test_instants_are_told_from_means(step: int, seed: int) -> None:
    means, instants = (sampled(switched(seed), step, mean=mean) for mean in (True, False))
    assert centred(means) is means
    assert centred(instants).t == pytest.approx(instants.t + step / 2)


@pytest.mark.parametrize("step", [2, 5, 8])
def test_a_change_between_two_instants_is_put_in_the_middle(step: int) -> None:
    """On the average no sooner and no later than it was; a mean's rule would have it half a step too soon."""
    off = []
    for seed in range(20):
        watts = switched(seed)
        series = centred(sampled(watts, step, mean=False))
        for edge in np.flatnonzero(np.abs(np.diff(watts)) > 100) / 10.0:
            k = np.searchsorted(series.t, edge)
            near = [
                j
                for j in range(max(k - 2, 0), min(k + 2, len(series) - 1))
                if abs(series.v[j + 1] - series.v[j]) > 100
            ]
            off += [float(series.t[near[0]] - edge)] if near else []
    assert len(off) > 200
    assert float(np.mean(off)) == pytest.approx(0.0, abs=0.15 * step)


def test_few_changes_and_fine_samples_tell_nothing() -> None:
    """Without proof a sample is what the contract says."""
    still = Series(2.0 * np.arange(300), np.full(300, 5.0))
    fine = Series(np.arange(0.0, 3000.0, 0.5), switched(1)[::5])
    for series in (still, fine, Series(np.empty(0), np.empty(0))):
        assert centred(series) is series
