"""What a run without a leak proves: a bound on the next wash, and the smallest leak it would have shown."""

from __future__ import annotations

import math
from collections.abc import Mapping

from soaktest.analysis.conductance import smallest_ml
from soaktest.analysis.events import PadTrack
from soaktest.vocabulary import ZONES, Zone


def leak_chance_upper(leak_free_washes: int, confidence: float = 0.95) -> float | None:
    """One-sided upper bound on the chance of a leak in the next wash, none seen in ``n`` washes.

    1 - (1 - confidence)^(1/n): the exact (Clopper-Pearson) bound for zero events of n. None for
    n = 0, where nothing is known. The two-sided 95 % interval's upper end is larger.

    Source: Hanley and Lippman-Hand, JAMA 1983;249:1743-1745.
    """
    if leak_free_washes < 1:
        return None
    return float(-math.expm1(math.log1p(-confidence) / leak_free_washes))


def smallest_seen(pads: Mapping[Zone, PadTrack], probability: float) -> float | None:
    """Millilitres on a pad that the least sensitive pad would have shown with ``probability``.

    None where a pad was not heard, so that nothing can be said.
    """
    amounts = [smallest_ml(pads[zone], probability) for zone in ZONES]
    return None if any(a is None for a in amounts) else max(a for a in amounts if a is not None)
