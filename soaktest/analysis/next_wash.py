"""Which test wash would tell the suspects apart best: expected information, in bits.

Each candidate exposes some phases for long. A part shows in it with a chance that grows with its
rate in those phases; the mutual information between part and outcome is the gain (Lindley 1956).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from soaktest.findings import NextWash
from soaktest.layouts import Layout
from soaktest.vocabulary import Phase


class _Candidate(NamedTuple):
    wash: str
    title: str
    phases: tuple[Phase, ...]
    do: str


HARDLY = 0.1
"""A part that leaks at less than this share of its worst in a phase will not show in it for certain."""
CANDIDATES = (
    _Candidate("tap-open", "Tap open, no programme", (), "Open the tap five minutes before the first fill and watch."),
    _Candidate("fill-and-hold", "Fill, then hold", ("wash",), "Let water in, stop the programme with the valve shut, and watch for ten minutes."),
    _Candidate("fill-only", "Fill only", ("fill",), "Start and cancel several fills, draining between them into a bucket."),
    _Candidate("drain-only", "Drain only", ("drain",), "With water in the tub, run the drain programme alone."),
    _Candidate("spin-only", "Spin only", ("spin",), "Run a spin without letting water in."),
    _Candidate("hot", "Hot wash", ("heat",), "Run a short hot wash; mind hot water and steam."),
)  # fmt: skip


def choose_next(chance: Mapping[str, float], layout: Layout) -> list[NextWash]:
    """Candidates by expected information about the parts, best first."""
    weights = np.array([chance[part.id] for part in layout.parts])
    out = []
    for candidate in CANDIDATES:
        rates = np.array(
            [
                max((part.wets.get(p, 0.0) for p in candidate.phases), default=part.wets.get("idle", 0.0))
                for part in layout.parts
            ]
        )
        shows = np.clip(0.03 + 0.92 * (1 - np.exp(-4 * np.maximum(rates - HARDLY, 0.0))), 0.0, 0.97)
        gain = _entropy(float(weights @ shows)) - float(
            weights @ np.array([_entropy(float(s)) for s in shows])
        )
        best = layout.parts[int(np.argmax(weights * shows))].name
        out.append(
            NextWash(
                wash=candidate.wash,
                title=candidate.title,
                gain_bits=round(max(gain, 0.0), 4),
                why=f"{candidate.do} Wet then points at the {best}; dry speaks against it.",
            )
        )
    return sorted(out, key=lambda wash: -wash.gain_bits)


def _entropy(p: float) -> float:
    q = min(max(p, 1e-12), 1 - 1e-12)
    return float(-(q * np.log2(q) + (1 - q) * np.log2(1 - q)))
