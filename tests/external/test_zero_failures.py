"""Zero-failure bounds, sample sizes and the sequential test against published numbers and scipy."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from soaktest.analysis.assurance import leak_chance_upper
from soaktest.analysis.sequential import sequential_test
from soaktest.plans import Sequential


@pytest.mark.parametrize(
    ("n", "upper"),
    [(10, 0.258866), (14, 0.192636), (30, 0.095034), (59, 0.049508), (112, 0.026393), (300, 0.009936)],
)
def test_upper_bound_table(n: int, upper: float) -> None:
    """1 - 0.05^(1/n); n = 14 and 112 are numerators of Hanley and Lippman-Hand, JAMA 1983;249:1743."""
    assert leak_chance_upper(n) == pytest.approx(upper, abs=1e-6)


@given(st.integers(1, 3000))
def test_bound_is_clopper_pearson_one_sided(n: int) -> None:
    """Reference: scipy and statsmodels; one-sided 95 %, the smaller of the two usual conventions."""
    one_sided = binomtest(0, n, alternative="less").proportion_ci(0.95, "exact").high
    two_sided = proportion_confint(0, n, 0.05, "beta")[1]

    bound = leak_chance_upper(n)

    assert bound == pytest.approx(one_sided, rel=1e-9)
    assert bound is not None
    assert bound < two_sided


@pytest.mark.parametrize("n", [50, 1000])
def test_rule_of_three(n: int) -> None:
    """0 of 50 gives about 3/50, 0 of 1000 about 0.3 % (letter, JAMA 1995;274(13):1013)."""
    assert leak_chance_upper(n) == pytest.approx(3 / n, rel=0.04)


def test_no_wash_bounds_nothing() -> None:
    """With no wash seen there is no bound, not a bound of 1."""
    assert leak_chance_upper(0) is None


@pytest.mark.parametrize(
    ("reliability", "confidence", "n"),
    [(0.90, 0.95, 29), (0.95, 0.95, 59), (0.99, 0.90, 230), (0.999, 0.95, 2995), (0.80, 0.50, 4)],
)
def test_success_run_sample_sizes(reliability: float, confidence: float, n: int) -> None:
    """Success-run theorem, n = ceil(ln(1-C)/ln R): 29, 59, 230 and 2995 stand in published tables."""
    upper, before = leak_chance_upper(n, confidence), leak_chance_upper(n - 1, confidence)
    assert upper is not None
    assert before is not None
    assert upper <= 1 - reliability + 1e-12 < before


RISKS = Sequential(good_leak_chance=0.01, bad_leak_chance=0.10, reject_good_risk=0.05, accept_bad_risk=0.10)


def test_wald_thresholds() -> None:
    """ln A = 2.890372, ln B = -2.251292 for risks .05 and .10 (printed by the SPRT package's vignette)."""
    got = sequential_test(RISKS, [])

    assert got.reject_above == pytest.approx(2.890372, abs=1e-6)
    assert got.accept_below == pytest.approx(-2.251292, abs=1e-6)


def test_bernoulli_example_rejects_at_the_seventh() -> None:
    """Input of the SPRT package's help page, p0 = .1, p1 = .3; the sums are computed by hand."""
    risks = Sequential(good_leak_chance=0.1, bad_leak_chance=0.3, reject_good_risk=0.05, accept_bad_risk=0.10)
    x = [0, 0, 1, 0, 1, 1, 1, 0, 0, 1, 0, 0]

    sums = [sequential_test(risks, map(bool, x[:n])).log_ratio for n in range(1, 8)]
    steps = [sequential_test(risks, map(bool, x[:n])).step for n in range(1, 8)]

    assert sums == pytest.approx(
        [-0.251314, -0.502629, 0.595983, 0.344669, 1.443281, 2.541894, 3.640506], abs=1e-6
    )
    assert steps == ["go on"] * 6 + ["reject"]


def test_sequential_plan_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook, sequential sampling plan .01/.10/.05/.10 (from memory): first
    acceptance without a defect at 24, reject number 2 from the second on."""
    clean = [sequential_test(RISKS, [False] * n).step for n in range(30)]

    assert clean.index("accept") == 24
    assert sequential_test(RISKS, []).clean_washes_to_accept == 24
    assert sequential_test(RISKS, [True, True]).step == "reject"


def test_sequential_test_keeps_its_risks() -> None:
    """Exact dynamic programme for that plan: P(accept | .01) = 0.978, P(accept | .10) = 0.0996."""
    rng = random.Random(7)

    def accepted(p: float) -> bool:
        washes: list[bool] = []
        while True:
            washes.append(rng.random() < p)
            step = sequential_test(RISKS, washes).step
            if step != "go on":
                return step == "accept"

    runs = 1500
    good = sum(accepted(0.01) for _ in range(runs)) / runs
    bad = sum(accepted(0.10) for _ in range(runs)) / runs

    assert good == pytest.approx(0.977953, abs=4 * math.sqrt(0.978 * 0.022 / runs))
    assert bad == pytest.approx(0.099579, abs=4 * math.sqrt(0.0996 * 0.9 / runs))
