"""Where a spin begins and ends: with the drum's one long run, slow start and run-down included (the contract's meaning).

The decoder's runs are told by their levels, and a drum that spreads its load draws and shakes no more than at its
strokes: what it says of a spin's middle is sure, and its edges follow the drum from there.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from soaktest.analysis.phase_frames import Frames
from soaktest.analysis.phase_model import DRAINS, S
from soaktest.analysis.phase_shaking import usual_shake
from soaktest.analysis.pump_draw import FINEST_S
from soaktest.analysis.series import Floats
from soaktest.analysis.stretches import stretches
from soaktest.vocabulary import PHASES

LONGEST_START_S: Final = 100
"""A slow start lasts no longer; what turns on and on for longer is something else."""
LEAST_START_S: Final = 5
LONGEST_RUN_DOWN_S: Final = 45
PAUSE_SHARE: Final = 0.72
"""A pause between strokes takes the watts down to such a share of those on both its sides."""
ABOVE_PUMP: Final = 1.35
"""A drum that turns makes so many times of the pump's watts at the least."""
PUMP_SHARE: Final = 0.12
"""Of a drain's seconds, those in which the drum stands for certain."""
RUNS_DOWN: Final = 0.5
"""A drum that runs down shakes by more than such a share of its strokes."""
_DRAIN, _SPIN, _IDLE = PHASES.index("drain"), PHASES.index("spin"), PHASES.index("idle")


def whole_spins(best: NDArray[np.int64], frames: Frames) -> NDArray[np.bool_]:
    """Seconds of drain or rest that belong to a spin beside them, shape (seconds,)."""
    out = np.zeros(len(best), dtype=bool)
    if frames.step_s >= FINEST_S:
        return out
    pauses, draws = _pauses(frames.watts), _above_the_pump(best, frames)
    runs_down = ((best == _DRAIN) | (best == _IDLE)) & (
        frames.vibration > RUNS_DOWN * usual_shake(frames.vibration, frames.turning)
    )
    for begin, stop in stretches(best == _SPIN):
        first = begin - _true_before(draws & ~pauses, begin)
        if LEAST_START_S <= begin - first <= LONGEST_START_S:
            out[first:begin] = True
        last = stop + _true_before(runs_down[::-1], len(best) - stop)
        if last - stop <= LONGEST_RUN_DOWN_S:
            out[stop:last] = True
    return out


def tries(path: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Seconds of loosening strokes that stand between a drain and a spin, shape as ``path`` (states by second).

    A drum that spreads its load turns one way for half a minute and rests, a few times over: it loosens nothing before it
    has spun, it tries to spin.
    """
    out = np.zeros(len(path), dtype=bool)
    for begin, stop in stretches(path == S["loosen"]):
        if begin > 0 and stop < len(path) and path[begin - 1] in DRAINS and path[stop] == S["spin"]:
            out[begin:stop] = True
    return out


def _above_the_pump(best: NDArray[np.int64], frames: Frames) -> NDArray[np.bool_]:
    """Seconds of each drain in which more is at work than the pump, by watts, or without them by shaking."""
    out = np.zeros(len(best), dtype=bool)
    for begin, stop in stretches(best == _DRAIN):
        watts = frames.watts[begin:stop]
        if np.isnan(watts).all():
            out[begin:stop] = frames.turning[begin:stop] == 1
        else:
            out[begin:stop] = watts > ABOVE_PUMP * np.nanquantile(watts, PUMP_SHARE)
    return out


def _true_before(mask: NDArray[np.bool_], at: int) -> int:
    """How many true values stand directly before a position."""
    ends = np.flatnonzero(~mask[:at])
    return at - (int(ends[-1]) + 1 if len(ends) else 0)


def _pauses(watts: Floats) -> NDArray[np.bool_]:
    """Seconds in which the watts dip, as they do where a drum turns about."""
    out = np.zeros(len(watts), dtype=bool)
    if len(watts) < 18:
        return out
    beside = np.median(np.lib.stride_tricks.sliding_window_view(watts, 6), axis=1)
    out[8:-9] = watts[8:-9] < PAUSE_SHARE * np.minimum(beside[: len(watts) - 17], beside[11 : len(watts) - 6])
    return out
