"""Where across the machine the water came out, tilt taken off: a posterior over x."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from soaktest.findings import Location
from soaktest.layouts import Layout
from soaktest.vocabulary import ZONES

PLACE_SPREAD_MM = 16.0
"""Parts sit about so far from where the layout has them."""
TAIL = 0.13
"""Left out at each end: the parts' chances are modest together, and so an eighth is what leaves nine places of ten within."""
ELSEWHERE = 0.06
"""Share for a place that no listed part has."""


def locate(chance: Mapping[str, float], layout: Layout, *, tilt_known: bool) -> Location:
    """The place from the parts' probabilities: median and 90 % interval, and chances by zone."""
    grid = np.arange(0.0, layout.width_mm + 1.0, 2.0)
    density = np.full(len(grid), ELSEWHERE / len(grid))
    for part in layout.parts:
        bell = np.exp(-0.5 * ((grid - part.x_mm) / PLACE_SPREAD_MM) ** 2)
        density += (1 - ELSEWHERE) * chance[part.id] * bell / max(bell.sum(), 1e-12)
    total = np.cumsum(density) / density.sum()
    order = sorted(layout.parts, key=lambda part: part.x_mm)
    share = np.cumsum([chance[part.id] for part in order])
    middle = order[int(np.searchsorted(share, 0.5 * share[-1]))].x_mm
    zones = dict.fromkeys(ZONES, 0.0)
    for x, weight in zip(grid.tolist(), (density / density.sum()).tolist(), strict=True):
        zones[layout.zone_at(x)] += weight
    return Location(
        x_mm=float(middle),
        low_mm=float(min(grid[np.searchsorted(total, TAIL)], middle)),
        high_mm=float(max(grid[np.searchsorted(total, 1 - TAIL)], middle)),
        zone_probability=zones,
        tilt_known=tilt_known,
    )
