"""Page's test and EWMA, step by step as the pads are watched, against handbook examples and published run lengths."""

from itertools import accumulate

import numpy as np
import pytest
import ruptures
from numpy.typing import NDArray
from scipy.stats import poisson

from soaktest.analysis.change import find_onset, follow, page_step

NIST = np.array([324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
                 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350])  # fmt: skip


def cusum(z: NDArray[np.float64], k: float, start: float = 0.0) -> NDArray[np.float64]:
    """The test's sums over a series; ``start`` is the head start (Lucas & Crosier, Technometrics 1982;24:199)."""
    steps = accumulate(z.tolist(), lambda total, value: page_step(total, value, k), initial=start)
    return np.fromiter(steps, dtype=np.float64, count=len(z) + 1)[1:]


def ewma(x: NDArray[np.float64], weight: float, start: float) -> NDArray[np.float64]:
    """The followed level over a series."""
    steps = accumulate(x.tolist(), lambda level, value: follow(level, value, weight), initial=start)
    return np.fromiter(steps, dtype=np.float64, count=len(x) + 1)[1:]


def test_nist_tabular_cusum() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k = 0.3175, h = 4.1959; first signal is observation 14."""
    high, low = cusum(NIST - 325, 0.3175), cusum(325 - NIST, 0.3175)

    expected = [
        0,
        0,
        0,
        0,
        0.0325,
        0,
        0,
        0,
        0,
        0,
        0,
        0,
        3.0075,
        4.94,
        7.4475,
        10.63,
        11.9875,
        14.445,
        16.0025,
        19.035,
    ]
    assert high == pytest.approx(expected, abs=1e-9)
    assert low[:11] == pytest.approx(
        [0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.715, 0.1725, 0.255, 0.3125], abs=1e-9
    )
    assert (np.flatnonzero(high > 4.1959) + 1).tolist() == list(range(14, 21))


def test_montgomery_and_runger_cusum() -> None:
    """Applied Statistics and Probability for Engineers, tables 16-7 and 16-8: target 99, K = 1, no signal at 10."""
    x = np.array(
        [
            102.0,
            94.8,
            98.3,
            98.4,
            102.0,
            98.5,
            99.0,
            97.7,
            100.0,
            98.1,
            101.3,
            98.7,
            101.1,
            98.4,
            97.0,
            96.7,
            100.3,
            101.4,
            97.2,
            101.0,
        ]
    )

    high, low = cusum(x - 99, 1.0), cusum(99 - x, 1.0)

    assert high == pytest.approx(
        [2, 0, 0, 0, 2, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0], abs=1e-9
    )
    assert low == pytest.approx(
        [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1, 2.3, 0, 0, 0.8, 0], abs=1e-9
    )


def test_nist_ewma() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4: lambda 0.3 from 50."""
    x = np.array(
        [
            52.0,
            47.0,
            53.0,
            49.3,
            50.1,
            47.0,
            51.0,
            50.1,
            51.2,
            50.5,
            49.6,
            47.6,
            49.9,
            51.3,
            47.8,
            51.2,
            52.6,
            52.4,
            53.6,
            52.1,
        ]
    )

    expected = [
        50.60,
        49.52,
        50.56,
        50.18,
        50.16,
        49.21,
        49.75,
        49.85,
        50.26,
        50.33,
        50.11,
        49.36,
        49.52,
        50.05,
        49.38,
        49.92,
        50.73,
        51.23,
        51.94,
        51.99,
    ]
    assert ewma(x, 0.3, 50.0) == pytest.approx(expected, abs=0.006)


@pytest.mark.parametrize(
    ("h", "shift", "length"), [(3.0, 0.0, 117.6), (4.0, 0.0, 335.37), (4.0, 1.0, 8.38), (5.0, 1.0, 10.4)]
)
def test_average_run_lengths(h: float, shift: float, length: float) -> None:
    """k = 0.5, one-sided: Brook and Evans 1972 (117.6), Lucas and Crosier 1982 (335.4 is twice 168; 8.38; 10.4)."""
    rng = np.random.default_rng(5)
    runs = 1500
    stops = []
    for _ in range(runs):
        s, n = 0.0, 0
        while s <= h:
            block = rng.normal(shift, 1, 400)
            walked = s + np.cumsum(block - 0.5)
            path = walked - np.minimum(np.minimum.accumulate(walked), 0.0)
            over = np.flatnonzero(path > h)
            if len(over):
                n += int(over[0]) + 1
                break
            n, s = n + 400, float(path[-1])
        stops.append(n)

    assert np.mean(stops) == pytest.approx(length, abs=4 * np.std(stops) / np.sqrt(runs) + 0.02 * length)


@pytest.mark.parametrize("slope", [0.0, 0.5])
def test_onset_interval_holds_the_truth(slope: float) -> None:
    """On white noise, for a step and for a ramp, the interval holds the true onset at least nine times in ten."""
    rng = np.random.default_rng(11)
    held, off = [], []
    for _ in range(300):
        at = int(rng.integers(60, 240))
        z = rng.normal(size=260)
        z[at:] += (4.0 if slope == 0 else 0.0) + slope * np.arange(260 - at)
        found = find_onset(z[: at + 20], temper=1.0)
        held.append(found.low <= at <= found.high)
        off.append(abs(found.index - at))

    assert np.mean(held) >= 0.88
    assert np.median(off) <= (1 if slope == 0 else 4)


@pytest.mark.parametrize(
    ("shift", "head_start", "length"),
    [(0.0, 0.0, 168.0), (0.0, 2.0, 149.0), (1.0, 0.0, 8.38), (1.0, 2.0, 5.29)],
)
def test_two_sided_run_lengths_with_head_start(shift: float, head_start: float, length: float) -> None:
    """Lucas and Crosier 1982, table 1, k = 0.5, h = 4, two-sided; the fast initial response starts at h / 2."""
    rng = np.random.default_rng(8)
    stops = []
    for _ in range(1500):
        z = rng.normal(shift, 1, 3000)
        over = (cusum(z, 0.5, head_start) > 4.0) | (cusum(-z, 0.5, head_start) > 4.0)
        assert over.any()
        stops.append(int(np.argmax(over)) + 1)

    assert np.mean(stops) == pytest.approx(length, abs=4 * np.std(stops) / np.sqrt(1500) + 0.006 * length)


@pytest.mark.parametrize(
    ("sign", "head_start", "length"),
    [(1, 0, 438.125), (1, 20, 333.125), (-1, 0, 436.764), (-1, 20, 318.333)],
)
def test_run_lengths_for_counts(sign: int, head_start: int, length: float) -> None:
    """Lucas 1985, Poisson counts of mean 0.25, reference 0.25, h = 10; printed 438, 333, 437, 318. Alarm at S >= h.

    Exact: the absorbing chain of the recursion, its transitions taken from the recursion itself, all times 4.
    """
    stay = np.zeros((40, 40))
    for state in range(40):
        for count in range(60):
            reached = float(cusum(np.array([sign * 4.0 * count]), sign * 1.0, float(state))[0])
            if reached < 40:
                stay[state, round(reached)] += poisson.pmf(count, 0.25)
    lengths = np.linalg.solve(np.eye(40) - stay, np.ones(40))

    assert lengths[head_start] == pytest.approx(length, abs=0.002)


@pytest.mark.parametrize(("shift", "length"), [(0.0, 26.45), (0.5, 11.89), (1.0, 4.91), (2.0, 1.95)])
def test_ewma_run_lengths(shift: float, length: float) -> None:
    """Crowder 1987, table 1: weight 0.5, fixed two-sided limits at 2 sigma (1.94 printed where exact is 1.95)."""
    rng = np.random.default_rng(9)
    limit = 2 * np.sqrt(0.5 / 1.5)
    stops = [
        int(np.argmax(np.abs(ewma(rng.normal(shift, 1, 400), 0.5, 0.0)) > limit)) + 1 for _ in range(1500)
    ]

    assert np.mean(stops) == pytest.approx(length, abs=4 * np.std(stops) / np.sqrt(1500) + 0.006 * length)


def _steps_and_truth() -> list[tuple[NDArray[np.float64], int]]:
    rng = np.random.default_rng(10)
    out = []
    for _ in range(60):
        at = int(rng.integers(40, 160))
        z = rng.normal(size=200)
        z[at:] += rng.uniform(2.0, 6.0)
        out.append((z, at))
    return out


def test_onset_of_a_step_is_as_good_as_a_reference_library() -> None:
    """Beside ruptures (exact least-squares search for one change of the mean): no worse on the same series."""
    ours, theirs = [], []
    for z, at in _steps_and_truth():
        ours.append(abs(find_onset(z).index - at))
        theirs.append(abs(ruptures.Dynp(model="l2", min_size=2, jump=1).fit(z).predict(n_bkps=1)[0] - at))

    assert np.median(ours) <= 1
    assert np.mean(ours) <= np.mean(theirs) + 0.5
