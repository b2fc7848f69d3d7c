"""Divider ratio → conductance → wetness, and back to millilitres, as far as physics allows.

A pad of conductance G between supply and input, with R from input to ground, gives the ratio
r = R G / (1 + R G), so G = r / (R (1 - r)). Dry to soaked spans four decades, hence logarithms.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import ndtri

from soaktest.analysis.events import SIEMENS_PER_ML, PadTrack
from soaktest.analysis.series import Floats, PadWiring
from soaktest.plans import DROP_ML
from soaktest.vocabulary import PadState

DRY_FLOOR_S: Final = 1e-7
"""Siemens added before the logarithm: below this lies leakage and the converter's last step, not water."""
SOAKED_S: Final = 1e-3
"""Siemens of a soaked pad in tap water (1 kohm), the upper end of the wetness scale."""
SHORT_S: Final = 3.5e-3
"""Siemens above which two tracks touch (less than 300 ohm): tap water of 1,500 uS/cm on a whole pad stays under 2e-3."""
DAMPEST_DRY_S: Final = 3e-6
"""Siemens of its own that a dry pad in humid air does not reach (330 kohm)."""


def conductance(ratio: Floats, wiring: PadWiring) -> Floats:
    """Siemens between supply and input, end-of-line resistor included; same shape as ``ratio`` (0 to 1)."""
    r = np.clip(ratio, 0.0, 1.0 - 1e-6)
    return r / (wiring.divider_ohm * (1.0 - r))


def lead_state(siemens: float, wiring: PadWiring) -> PadState:
    """What one reading says of a pad's lead: ``open`` below half of the resistor at its far end, ``short`` above what any water
    conducts, else ``unproven``.
    """
    if wiring.end_of_line_ohm and siemens < 0.5 / wiring.end_of_line_ohm:
        return "open"
    return "short" if siemens > SHORT_S else "unproven"


def log_conductance(siemens: Floats) -> Floats:
    """log10 of siemens over the dry floor, same shape."""
    return np.log10(siemens + DRY_FLOOR_S)


def wetness(log_g: float, dry: float) -> float:
    """0 at the dry level, 1 soaked, on the log scale."""
    return float(np.clip((log_g - dry) / _span(dry), 0.0, 1.0))


def log_at(wet: float, dry: float) -> float:
    """The other way: log10 of siemens at a wetness (0 to 1) over a dry level."""
    return dry + wet * _span(dry)


def _span(dry: float) -> float:
    return max(float(np.log10(SOAKED_S)) - dry, 0.5)


def ml_for_rise(
    rise: float, dry: float, siemens_per_ml: tuple[float, float, float] = SIEMENS_PER_ML
) -> tuple[float, float, float]:
    """Millilitres on the pad for a rise over the dry level: low, best, high.

    Honest to a factor of ten or so either way where the pad was never checked: it hangs on the water
    and on where it lies.
    """
    extra = 10.0**dry * (10.0**rise - 1.0)
    low, best, high = (extra / g for g in reversed(siemens_per_ml))
    return max(low, DROP_ML / 2), max(best, DROP_ML), max(high, 2 * DROP_ML)


def smallest_ml(track: PadTrack, probability: float) -> float | None:
    """Millilitres that this pad would have shown with ``probability``; None where it was not heard.

    The least conductive water of the range is taken, or the pad's own check, and never less than one drop.
    Water that seeps in as slowly as the dry level wanders is not told from it: it may have been as much as that.
    """
    if not len(track.t) or not np.isfinite(track.smallest_rise):
        return None
    rise = track.smallest_rise + float(ndtri(probability) - ndtri(0.9)) * track.noise
    dry = float(np.median(track.dry))
    siemens = max(10.0**dry * (10.0 ** max(rise, 0.0) - 1.0), track.crept_siemens)
    return float(max(DROP_ML, siemens / track.siemens_per_ml[0]))
