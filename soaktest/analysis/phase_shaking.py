"""Does the drum turn? What the cabinet's vibration says of it, second by second."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from soaktest.analysis.series import Floats
from soaktest.analysis.stretches import stretches

COARSE_S: Final = 3.0
"""From such steps on, watts alone do not show strokes."""
STRONGEST_SHAKE: Final = 25.0
"""Times the still level from which one shake is as good as another."""
CLEAR_SHAKE: Final = 1.5
"""Times the still level that strokes must shake to be told."""
CALM_S: Final = 4
"""What a still machine shows is noise that may touch nothing for a second: its level is that of so many seconds' means."""
LEAST_SHAKE: Final = 1e-4
UNKNOWN: Final = -1


def joined_by_shaking(
    turning: NDArray[np.int8],
    shakes: NDArray[np.int8],
    vibration: Floats,
    low: NDArray[np.bool_],
    pumping: NDArray[np.bool_],
    step: float,
) -> NDArray[np.int8]:
    """Turning by watts, and by vibration where watts do not show it: strokes merge in coarse watts, a ramp draws little.

    ``shakes`` is that of :func:`shaken`, ``low`` says where watts show no drum. A pump shakes the machine too: where it
    may be running (``pumping``), low watts need more shaking.
    """
    if step >= COARSE_S or bool((turning == UNKNOWN).all()):
        out = np.where(shakes >= 0, shakes, turning)
        out[_inside_long(low, step)] = 0
        return out.astype(np.int8)
    usual = usual_shake(vibration, turning)
    turns = low & (shakes == 1) & np.where(pumping, vibration > 2.0 * usual, vibration > 0.5 * usual)
    return np.where(turns, 1, turning).astype(np.int8)


def usual_shake(vibration: Floats, turning: NDArray[np.int8]) -> float:
    """Median vibration while the drum turns by its watts; infinite where it was never heard then."""
    strokes = vibration[(turning == 1) & ~np.isnan(vibration)]
    return float(np.median(strokes)) if len(strokes) else float("inf")


def shaken(vibration: Floats, inlet: NDArray[np.int8], outlet: NDArray[np.int8]) -> NDArray[np.int8]:
    """0 still, 1 turning, from vibration; the threshold lies between the machine's own two levels, without the pump's.

    Unknown throughout where strokes do not stand clear of a drum at rest.
    """
    out = np.full(len(vibration), UNKNOWN, dtype=np.int8)
    known = ~np.isnan(vibration)
    if known.sum() < 30:
        return out
    learned = known & _before_spins(inlet, outlet)
    if learned.sum() < 300:
        learned = known & (outlet == 0) if (known & (outlet == 0)).sum() > 300 else known
    calm = np.convolve(np.nan_to_num(vibration), np.full(CALM_S, 1.0 / CALM_S), "same")
    still = float(np.log(max(np.quantile(calm[learned], 0.05), LEAST_SHAKE)))
    logs = np.maximum(np.log(np.maximum(vibration[learned], LEAST_SHAKE)), still)
    top = still + float(np.log(STRONGEST_SHAKE))  # a spin must not hide the strokes below the cut
    # strokes may fill most of a run, or a few minutes of it: the commonest level that stands clear of still
    busy = next((q for q in np.quantile(logs, (0.9, 0.95, 0.98)) if q - still >= np.log(CLEAR_SHAKE)), None)
    if busy is None:
        return out
    logs = np.minimum(logs, top)
    cut = still + 0.4 * (min(float(busy), top) - still)
    for _ in range(6):  # two means, on logs
        low, high = logs[logs < cut], logs[logs >= cut]
        if not len(low) or not len(high):
            break
        cut = 0.5 * (float(low.mean()) + float(np.median(high)))
    out[known] = np.log(np.maximum(vibration[known], LEAST_SHAKE)) > cut
    return out


def _before_spins(inlet: NDArray[np.int8], outlet: NDArray[np.int8]) -> NDArray[np.bool_]:
    """Seconds in which no drum spins: before anything is heard of inlet and outlet, and from each fill to the next pumping."""
    seconds = np.arange(len(inlet))
    filled = np.maximum.accumulate(np.where(inlet == 1, seconds, -1))
    pumped = np.maximum.accumulate(np.where(outlet == 1, seconds, -1))
    heard = bool((inlet >= 0).any() and (outlet >= 0).any())
    return (pumped < 0) | (filled > pumped) if heard else np.zeros(len(inlet), dtype=bool)


def _inside_long(low: NDArray[np.bool_], step: float) -> NDArray[np.bool_]:
    """Seconds well inside stretches of low watts: no drum turns there, though a pump may shake the machine."""
    out = np.zeros(len(low), dtype=bool)
    edge = int(np.ceil(step))
    for begin, stop in stretches(low):
        if stop - begin >= 4 * edge:
            out[begin + edge : stop - edge] = True
    return out
