"""The washing cycle as a semi-Markov model: states, grammar and durations.

States are finer than phases: a fill after a drain leads to a rinse, one after rest to a wash;
loosening strokes after the last spin are a state of their own (put out as idle) so that they are
not taken for a rinse; the pump that clears the sump of an older wash before the first fill is one, so
that the fill after it leads to a wash; the rest before anything is one, for what comes first is hardly
a drain; a drain in which the drum turns on and off, to loosen and spread what is in it, is one, so that
its strokes tell for once that it is rare, and not each of them anew. Durations are log-normal, their
medians and spreads wide enough for quick and long programmes (common practice, no published source).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from soaktest.analysis.semi_markov import Model
from soaktest.analysis.series import Floats
from soaktest.vocabulary import PHASES

STATES: Final = (
    "idle",
    "fill1",
    "wash",
    "heat",
    "drain",
    "spin",
    "fill2",
    "rinse",
    "loosen",
    "clear",
    "pause",
    "before",
    "stirred",
)
N_STATES: Final = len(STATES)
PHASE_OF: Final = np.array(
    [
        PHASES.index(p)
        for p in (
            "idle",
            "fill",
            "wash",
            "heat",
            "drain",
            "spin",
            "fill",
            "rinse",
            "idle",
            "drain",
            "idle",
            "idle",
            "drain",
        )
    ]
)
S: Final = {name: i for i, name in enumerate(STATES)}
DRAINS: Final = S["drain"], S["stirred"]
"""The drum of most stands still in the one; in the other it turns on and off."""

_DURATION: Final = {  # median s, sigma of the log, least s, longest s
    "idle": (400.0, 1.3, 60.0, 7200.0),
    "fill1": (90.0, 0.70, 20.0, 900.0),
    "wash": (400.0, 1.3, 15.0, 5400.0),
    "heat": (300.0, 1.3, 8.0, 5400.0),
    "drain": (55.0, 0.75, 10.0, 600.0),
    "spin": (140.0, 0.85, 35.0, 1500.0),
    "fill2": (80.0, 0.65, 20.0, 900.0),
    "rinse": (220.0, 0.75, 30.0, 1000.0),
    "loosen": (150.0, 0.9, 20.0, 2400.0),
    "clear": (12.0, 0.6, 3.0, 60.0),
    "pause": (30.0, 0.7, 20.0, 115.0),
    "before": (400.0, 1.3, 60.0, 7200.0),
    "stirred": (90.0, 0.6, 20.0, 600.0),
}

_STEPS: Final = {
    "idle": {"idle": -0.1, "fill1": -0.3, "clear": -2.0, "drain": -3.0, "spin": -4.0, "wash": -6.0, "heat": -8.0, "fill2": -6.0, "loosen": -6.0},
    "fill1": {"wash": -0.3, "heat": -1.5, "drain": -4.5, "idle": -5.0},
    "wash": {"heat": -0.9, "drain": -0.7, "fill1": -2.4, "spin": -4.0, "idle": -4.5, "wash": -2.0},
    "heat": {"wash": -0.2, "drain": -2.0, "fill1": -4.0, "idle": -5.0},
    "drain": {"spin": -0.7, "fill2": -0.9, "fill1": -3.0, "idle": -2.0, "loosen": -3.0, "rinse": -5.5, "wash": -6.0, "pause": -2.2},
    "spin": {"fill2": -0.8, "drain": -0.8, "idle": -1.2, "loosen": -1.3, "rinse": -5.0, "pause": -2.2},
    "fill2": {"rinse": -0.2, "wash": -3.0, "heat": -3.5, "drain": -4.5, "spin": -6.0, "idle": -6.0},
    "rinse": {"drain": -0.3, "spin": -3.0, "fill2": -3.0, "idle": -4.5, "heat": -8.0, "rinse": -2.0},
    "loosen": {"idle": -0.3, "drain": -3.0, "spin": -4.0, "loosen": -1.5},
    "clear": {"fill1": -0.3, "idle": -1.5},
    "pause": {"fill2": -0.5, "drain": -1.2, "spin": -2.5},
    "before": {"before": -0.1, "fill1": -0.3, "clear": -2.0, "drain": -3.0, "spin": -4.0, "wash": -6.0, "heat": -8.0, "fill2": -6.0, "loosen": -6.0},
}  # fmt: skip

_START: Final = {
    "before": -0.3, "idle": -4.0, "fill1": -1.5, "wash": -3.0, "heat": -3.5, "drain": -3.5, "spin": -4.0,
    "fill2": -4.5, "rinse": -4.5, "loosen": -5.0, "clear": -4.0, "pause": -6.0, "stirred": -4.5,
}  # fmt: skip

_MEDIAN = np.array([_DURATION[s][0] for s in STATES])
_SIGMA = np.array([_DURATION[s][1] for s in STATES])
_LEAST = np.array([_DURATION[s][2] for s in STATES])
LONGEST = np.array([_DURATION[s][3] for s in STATES])
SHORT_PENALTY: Final = 9.0
STIRRED, STILL_AGAIN = 2.0, 1.0
"""Log chance against a drain in which the drum turns, and against its standing still for the rest of it."""
PUMP_FIRST: Final = 2.5
"""Log chance against a programme that begins with a drain, where it may be a fill as well."""


def _bell(spans: Floats) -> Floats:
    """Log of a normal density over log length (against log length, so that long is no penalty by itself)."""
    z = (np.log(np.maximum(spans, 1.0))[:, None] - np.log(_MEDIAN)) / _SIGMA
    out: Floats = -0.5 * z * z - np.log(_SIGMA)
    return out


def whole(spans: Floats) -> Floats:
    """Score of complete segments, shape (n, states): log-normal, short of the least length refused softly."""
    short = np.clip(1.0 - spans[:, None] / _LEAST, 0.0, 1.0)
    out: Floats = _bell(spans) - SHORT_PENALTY * short
    return out


def at_least(spans: Floats) -> Floats:
    """Score of a segment cut off by the beginning or the end of the log, shape (n, states)."""
    long = np.maximum(spans, 1.0)[:, None] > _MEDIAN
    out: Floats = np.where(long, _bell(spans) - 0.3, -np.maximum(np.log(_SIGMA), 0.0) - 0.8)
    return out


def cycle_model(*, pump_first: bool = True) -> Model:
    """The model of a washing cycle over ``STATES``.

    Without ``pump_first`` what draws as a pump does before anything was let in is hardly one.
    """
    transition = np.full((N_STATES, N_STATES), -np.inf)
    for source, targets in _STEPS.items():
        for target, score in targets.items():
            transition[S[source], S[target]] = score
    drain, stirred = DRAINS
    transition[stirred] = transition[drain]
    transition[:, stirred] = transition[:, drain] - STIRRED
    transition[drain, stirred], transition[stirred, drain] = -STIRRED, -STILL_AGAIN
    if not pump_first:
        transition[S["before"], [*DRAINS, S["spin"]]] -= PUMP_FIRST
    start = np.array([_START[s] for s in STATES])
    return Model(start, transition, whole, at_least, at_least, LONGEST)
