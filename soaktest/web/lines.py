"""The lines of a run within a window, thinned on the server to what a screen can show."""

from __future__ import annotations

from typing import Any

import numpy as np

from soaktest.analysis.analyse import Analysis
from soaktest.analysis.series import Floats
from soaktest.thinning import broken, microsiemens, silence, thin
from soaktest.vocabulary import ZONES


def window_lines(analysis: Analysis, start: float, end: float) -> dict[str, Any]:
    """Lines by name, as in the figure (``left pad``, ``power``): times in UTC seconds, values; null where silent."""
    out: dict[str, Any] = {}
    for zone in ZONES:
        track = analysis.pads[zone]
        if len(track.t):
            t, v = thin(*broken(*_cut(track.t, track.log_g, start, end), silence(1.0)))
            out[f"{zone} pad"] = _line(t, microsiemens(v))
    for name in ("power", "current", "vibration", "inlet", "outlet"):
        series = analysis.signals.other(name)
        if len(series):
            out[name] = _line(*thin(*broken(*_cut(series.t, series.v, start, end), silence(series.step_s))))
    return out


def _cut(t: Floats, v: Floats, start: float, end: float) -> tuple[Floats, Floats]:
    a, b = np.searchsorted(t, (start, end))
    inside = slice(max(int(a) - 1, 0), int(b) + 1)
    return t[inside], v[inside]


def _line(t: Floats, v: Floats) -> dict[str, Any]:
    values = [None if np.isnan(x) else float(f"{x:.5g}") for x in v.tolist()]
    return {"t": np.round(t, 3).tolist(), "v": values}
