"""The lines of a run within a window, thinned on the server to what a screen can show.

A judged run's lines are also cut into pieces of an hour, which are kept with its drawn timeline: a
zoom then reads the hours in view and not a day of packs.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from soaktest.analysis.analyse import Analysis
from soaktest.analysis.series import Floats
from soaktest.tables import PieceRow
from soaktest.thinning import broken, microsiemens, silence, thin
from soaktest.vocabulary import PHASE_SIGNALS, ZONES

PIECE_S: Final = 3600.0
FINE_S: Final = 1.5 * PIECE_S
"""Windows up to so long are read from every sample, longer ones from pieces that are thinned already."""


@dataclass(frozen=True, slots=True)
class Line:
    """UTC seconds and values, both shaped (n,); pads in log10 siemens. Nothing was heard for ``silence_s`` or longer."""

    t: Floats
    v: Floats
    silence_s: float


def lines_of(analysis: Analysis) -> dict[str, Line]:
    """Every line of a run by its name in the figure, such as ``left pad`` or ``power``."""
    out = {}
    for zone in ZONES:
        track = analysis.pads[zone]
        if len(track.t):
            out[f"{zone} pad"] = Line(track.t, track.log_g, silence(1.0))
    for name in PHASE_SIGNALS:
        series = analysis.signals.other(name)
        if len(series):
            out[name] = Line(series.t, series.v, silence(series.step_s))
    return out


def window_lines(lines: Mapping[str, Line], start: float, end: float) -> dict[str, Any]:
    """Times in UTC seconds and values by line, pads in microsiemens; null where silent."""
    out = {}
    for name, line in lines.items():
        t, v = thin(*broken(*_cut(line, start, end), line.silence_s))
        out[name] = _told(t, microsiemens(v) if name.endswith(" pad") else v)
    return out


def _cut(line: Line, start: float, end: float) -> tuple[Floats, Floats]:
    a, b = np.searchsorted(line.t, (start, end))
    inside = slice(max(int(a) - 1, 0), int(b) + 1)
    return line.t[inside], line.v[inside]


def _told(t: Floats, v: Floats) -> dict[str, Any]:
    values = _five_digits(v).astype(object)
    values[np.isnan(v)] = None
    return {"t": np.round(t, 3).tolist(), "v": values.tolist()}


def _five_digits(v: Floats) -> Floats:
    """Rounded to five digits that count; same shape. Ten thousand values at once, where a text of each cost most of a zoom."""
    size = np.log10(np.abs(v), where=v != 0, out=np.zeros_like(v))
    scale = 10.0 ** (4.0 - np.floor(size))
    out: Floats = np.round(v * scale) / scale
    return out


def pieces_of(run: int, began: float, lines: Mapping[str, Line]) -> Iterator[PieceRow]:
    """The lines by the hour since ``began``, once with every sample and once thinned."""
    first = min((float(line.t[0]) for line in lines.values()), default=began)
    last = max((float(line.t[-1]) for line in lines.values()), default=began)
    for hour in range(_hour(first, began), _hour(last, began) + 1):
        origin = began + PIECE_S * hour
        held = {name: _within(line, origin) for name, line in lines.items()}
        thinned = {
            name: Line(*thin(*broken(line.t, line.v, line.silence_s)), math.inf)
            for name, line in held.items()
        }
        for fine, kept in ((True, held), (False, thinned)):
            yield PieceRow(run=run, hour=hour, fine=fine, content=_packed(kept, origin))


def _hour(t: float, began: float) -> int:
    return math.floor((t - began) / PIECE_S)


def wanted(began: float, start: float, end: float) -> tuple[bool, int, int]:
    """Which pieces a window needs: of every sample or thinned, the first hour and the last."""
    return end - start <= FINE_S, _hour(start, began), _hour(end, began)


def _within(line: Line, origin: float) -> Line:
    a, b = np.searchsorted(line.t, (origin, origin + PIECE_S))
    return Line(line.t[a:b], line.v[a:b], line.silence_s)


def _packed(lines: Mapping[str, Line], origin: float) -> bytes:
    """Single precision: a fifth of a millisecond within an hour."""
    out = io.BytesIO()
    arrays: dict[str, Any] = {}
    for name, line in lines.items():
        arrays[f"{name}/t"] = (line.t - origin).astype(np.float32)
        arrays[f"{name}/v"] = line.v.astype(np.float32)
        arrays[f"{name}/silence"] = np.float32(line.silence_s)
    np.savez_compressed(out, **arrays)
    return out.getvalue()


def joined(pieces: Iterable[PieceRow], began: float) -> dict[str, Line]:
    """The lines of consecutive pieces."""
    parts: dict[str, list[Line]] = {}
    for piece in pieces:
        with np.load(io.BytesIO(piece.content)) as held:
            for name in {key.rpartition("/")[0] for key in held.files}:
                t = held[f"{name}/t"].astype(np.float64) + began + PIECE_S * piece.hour
                one = Line(t, held[f"{name}/v"].astype(np.float64), float(held[f"{name}/silence"]))
                parts.setdefault(name, []).append(one)
    return {
        name: Line(np.concatenate([p.t for p in held]), np.concatenate([p.v for p in held]), held[0].silence_s)
        for name, held in parts.items()
    }  # fmt: skip
