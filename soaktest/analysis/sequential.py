"""When can a series of washes stop? Wald's sequential probability ratio test on leak or no leak.

Source: A. Wald, Sequential Tests of Statistical Hypotheses, Ann. Math. Stat. 16 (1945) 117-186.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from soaktest.plans import Sequential

Step = Literal["go on", "accept", "reject"]


@dataclass(frozen=True, slots=True)
class SequentialTest:
    """Where the test stands after some washes."""

    step: Step
    log_ratio: float
    """Natural log of the likelihood ratio, bad over good."""
    accept_below: float
    reject_above: float
    clean_washes_to_accept: int
    """Leak-free washes still needed to accept; 0 once decided."""


def sequential_test(risks: Sequential, leaked: Iterable[bool]) -> SequentialTest:
    """Judge washes in their order, stopping at the first decision.

    Args:
        risks: chances of a leak in a wash of a good and of a bad unit, and both risks.
        leaked: one truth value a wash, True where it leaked.
    """
    good, bad = risks.good_leak_chance, risks.bad_leak_chance
    accept_below = math.log(risks.accept_bad_risk / (1 - risks.reject_good_risk))
    reject_above = math.log((1 - risks.accept_bad_risk) / risks.reject_good_risk)
    on_leak, on_clean = math.log(bad / good), math.log((1 - bad) / (1 - good))
    ratio = 0.0
    step: Step = "go on"
    for wet in leaked:
        ratio += on_leak if wet else on_clean
        if ratio <= accept_below:
            step = "accept"
        elif ratio >= reject_above:
            step = "reject"
        if step != "go on":
            break
    left = 0 if step != "go on" else math.ceil((accept_below - ratio) / on_clean - 1e-9)
    return SequentialTest(step, ratio, accept_below, reject_above, left)
