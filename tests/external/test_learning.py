"""How long repairs hold, and learned shares, against a printed data set and a textbook's formula."""

import pytest

from soaktest.errors import InputError
from soaktest.layouts import read_layout
from soaktest.workshop.lasting import Away, how_long_repairs_hold
from soaktest.workshop.learning import learned_shares
from soaktest.workshop.money import slipped_through, worth_of_a_wash

# Weeks in remission of 21 patients (6-MP arm), + still in remission: Freireich et al., Blood 1963;21:699, as printed in
# Kleinbaum & Klein, Survival Analysis, chapter 2 (values and table from memory).
WEEKS = [6, 6, 6, 7, 10, 13, 16, 22, 23]
STILL = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
PRINTED = {6: 0.8571, 7: 0.8067, 10: 0.7529, 13: 0.6902, 16: 0.6275, 22: 0.5378, 23: 0.4482}


def test_the_share_that_holds_is_the_printed_estimate() -> None:
    """Kaplan-Meier at each printed time, to four places."""
    observed = [Away((("p", ""),), float(t), back=True) for t in WEEKS]
    observed += [Away((("p", ""),), float(t), back=False) for t in STILL]

    curve = how_long_repairs_hold(observed)

    got = {day: held for day, held in zip(curve.days, curve.held, strict=True) if day in PRINTED}
    assert got == pytest.approx(PRINTED, abs=5e-5)
    assert all(
        low <= held <= high
        for low, held, high in zip(curve.low[1:], curve.held[1:], curve.high[1:], strict=True)
    )


def test_five_machines_give_no_curve() -> None:
    """It says how many more are needed."""
    with pytest.raises(InputError, match="3 more sold, 1 more comeback"):
        how_long_repairs_hold(
            [Away((("p", ""),), day, back=day < 20) for day in (10.0, 12.0, 20.0, 20.0, 20.0)]
        )


def test_a_curve_is_drawn_for_a_part_or_a_kind_of_work_alone() -> None:
    """Sales after other repairs do not count for it; nor does a part replaced beside one that was tightened."""
    observed = [Away((("hose", "tightened"),), float(day), back=day < 4) for day in range(1, 9)]
    observed += [Away((("seal", "replaced"), ("valve", "tightened")), 99.0, back=False)] * 5

    assert how_long_repairs_hold(observed, part="hose").units == 8
    assert how_long_repairs_hold(observed, work="tightened").units == 13
    with pytest.raises(InputError, match="seal replaced: 5 sold"):
        how_long_repairs_hold(observed, "seal", "replaced")
    with pytest.raises(InputError, match="seal tightened: 0 sold"):
        how_long_repairs_hold(observed, "seal", "tightened")


def test_learned_shares_are_the_posterior_means_of_a_dirichlet() -> None:
    """Gelman et al., Bayesian Data Analysis, section 3.4: (alpha_j + y_j) / (sum alpha + n)."""
    layout = read_layout("front-loader")
    told = {s.part: s for s in learned_shares(layout, {"door-seal": 5, "drain-pump": 1}, pseudo_counts=20.0)}

    whole = sum(p.prior for p in layout.parts)
    prior = next(p.prior for p in layout.parts if p.id == "door-seal") / whole
    assert told["door-seal"].after == pytest.approx((20 * prior + 5) / 26)
    assert sum(s.after for s in told.values()) == pytest.approx(1.0)
    assert told["inlet-valve"].after < told["inlet-valve"].before


def test_clean_washes_lower_the_chance_of_a_leak_as_bayes_says() -> None:
    """One leaky in ten, each wash showing half: after one clean wash 0.05 of 0.95 are left."""
    assert slipped_through(1, 0.1, 0.5) == pytest.approx(0.05 / 0.95)
    assert worth_of_a_wash(1, 1.0, 100.0, 0.1, 0.5).saves == pytest.approx(100 * 0.5 * 0.05 / 0.95)
