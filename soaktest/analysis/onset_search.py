"""When the first water was on a pad: looked for behind an alarm, back through drops and creeping that came before it."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter

from soaktest.analysis.pad_noise import Noise
from soaktest.analysis.series import Floats

TRACE_S = 1e-7
"""Siemens over the dry level: the least that may be water."""
CREEP_S = 900
"""Seconds before an alarm within which the creeping that led to it began."""
CREEPS_LEAST_S = 20
DAMP_S = 240
"""Seconds in which damp air does not double what a pad conducts."""
STEP = 0.012
"""Decades within a few seconds: a fortieth more, which neither damp air nor warmth brings so fast."""
STEP_NOISES = 5.0
STEP_CODES = 2.5
STEP_LEFT = 0.4
"""Share of a step that is left until the alarm; what falls back below it was a touch, or hum."""
LEVEL_S = 15
QUIET_S, QUIET_SHARE = 90, 0.35
"""Seconds before a creeping front in which the level hardly moved, as a share of what the front brought until its onset was told."""
RISING_S, RISING_SHARE, RISING_NOISES = 30, 0.25, 1.0
"""Seconds in which it goes on rising, by such a share of what it does on the average, and by so many times the noise."""
CREPT, CREPT_NOISES = 0.01, 3.0
"""Decades, and times the noise, that it brings at the least."""
BREAK = 8.0
"""Times as fast as before may it rise after, in siemens: more is other water."""
BEFORE_S, AFTER_S = 6, 4
SILENCE_S = 10.0
"""Seconds unheard in which a dry level hardly drifts by a step."""


def above_noise(level: float, sigma: float) -> float:
    """Siemens over a dry level (log10 siemens) that its noise of ``sigma`` decades hardly reaches."""
    return float(10.0**level * (10.0 ** (3 * sigma) - 1.0))


def before_creep(x: Floats, begin: int, low: int, at: int, level: float, sigma: float) -> tuple[int, float]:
    """Where to look for the onset from, and the dry level there: before any creeping that the level has followed.

    Water that creeps in comes faster and faster, or doubles what the pad conducts within minutes; air that grows damp
    does neither, and is left to the dry level.
    """
    first = max(begin, at - CREEP_S)
    if at - first < 90:
        return low, level
    slow = median_filter(x[first:at], size=15, mode="nearest")
    base = float(np.quantile(slow, 0.1))
    over = 10.0**slow - 10.0**base
    still = np.flatnonzero(over <= max(TRACE_S, above_noise(base, sigma)))
    if not len(still) or over[-1] < 2 * TRACE_S:
        return low, level
    since = int(still[-1])
    if len(over) - since < CREEPS_LEAST_S:  # it came at once
        return low, level
    half = (since + len(over)) // 2
    doubled = over[-1] > 10.0**base and len(over) - since < DAMP_S
    if not doubled and over[-1] - over[half] < 1.5 * (over[half] - over[since]):
        return low, level
    return first + max(since - 60, 0), float(np.median(slow[max(since - 120, 0) : since + 1]))


def settled_level(x: Floats, low: int, at: int, followed: float) -> float:
    """The dry level just before the rise: the last minute but for its last seconds."""
    recent = x[max(low, at - 70) : max(low, at - 10)]
    if len(recent) < 5:
        recent = x[low : max(low, at - 2)]
    return float(np.median(recent)) if len(recent) >= 3 else followed


def last_at_level(x: Floats, level: float, sigma: float) -> int:
    """Where the last quarter of a minute at the dry level begins, 0 where there is none: water came after it, and what was
    higher before was a dry level that sank.
    """
    if len(x) < LEVEL_S:
        return 0
    at = np.flatnonzero(means_of(x, LEVEL_S) <= level + 0.5 * sigma)
    return int(at[-1]) if len(at) else 0


def last_silence(t: Floats, at: int) -> int:
    """The first second after the last long silence before one: the pad may have drifted meanwhile."""
    breaks = np.flatnonzero(np.diff(t[: at + 1]) > SILENCE_S)
    return int(breaks[-1]) + 1 if len(breaks) else 0


def means_of(x: Floats, width: int) -> Floats:
    """Running means, shape (n - width + 1,); ``x`` itself where it is shorter than that."""
    if len(x) < width:
        return x
    total = np.cumsum(np.concatenate(([0.0], x)))
    out: Floats = (total[width:] - total[:-width]) / width
    return out


def first_trace(x: Floats, low: int, onset: int, level: float, sigma: float) -> int:
    """An earlier small step that lasts until the bulk comes: the first drop before it."""
    back = x[low:onset] - level
    if len(back) < 4:
        return onset
    means = means_of(back, 3)
    lasting = means > 2.5 * sigma
    still = np.flatnonzero(~lasting)
    start = int(still[-1]) + 3 if len(still) else 0
    return low + start if onset - (low + start) >= 3 else onset


def countable(x: Floats, trace: int, level: float, siemens: float) -> int | None:
    """When the water is a countable amount, None where it never is; water that creeps along the floor shows traces before."""
    over = 10.0 ** x[trace:] - 10.0**level > siemens
    return trace + int(np.argmax(over)) if over.any() else None


def crept_from(x: Floats, first: int, onset: int, sigma: float) -> tuple[int, float] | None:
    """Where the pad left a quiet dry level to rise without a break into an onset that no edge shows, and that level; None where it did not.

    A front that spreads through a pad conducts more and more: the dry level follows its beginning, and half a drop is told late.
    Air that grew damp before rises far more slowly than the water that came upon it.
    """
    means = means_of(x[first:onset], LEVEL_S)
    last = len(means) - 1
    if last < QUIET_S:
        return None
    steps = means[RISING_S:] - means[:-RISING_S]
    here = np.arange(len(steps))
    usual = (means[last] - means[: len(steps)]) / (last - here) * RISING_S
    rising = steps >= np.maximum(RISING_NOISES * sigma, RISING_SHARE * usual)
    still = np.flatnonzero(~rising)
    if not len(still) or still[-1] < QUIET_S // 2:
        return None
    since = int(still[-1])
    base = float(np.median(x[first + max(since - QUIET_S, 0) : first + since + LEVEL_S]))
    rise = float(means[last]) - base
    before = float(means[since] - means[max(since - QUIET_S, 0)])
    if rise < max(CREPT, CREPT_NOISES * sigma) or abs(before) > QUIET_SHARE * rise:
        return None
    fives = means_of(x[first + since : onset], 5)
    at_base = np.flatnonzero(fives <= base + 1.2 * sigma)
    left = first + since + (int(at_base[-1]) + 3 if len(at_base) else 0)
    after = x[onset + 45 : onset + 60]
    if onset - left < 5 or len(after) < 15:
        return None
    went_on = (10.0 ** float(np.median(after)) - 10.0 ** means[last]) / 60.0
    return (left, base) if went_on <= BREAK * (10.0 ** means[last] - 10.0**base) / (onset - left) else None


def first_step(x: Floats, low: int, at: int, noise: Noise) -> int | None:
    """The first sharp step of those that led to an alarm at index ``at``, sought from ``low``: the first drop, or a front's arrival.

    The dry level follows a step that is small; the eye does not. None where there is no such step.
    """
    part = x[low : at + 1 + AFTER_S]
    if len(part) < BEFORE_S + AFTER_S + 1:
        return None
    before = means_of(part, BEFORE_S)[:-AFTER_S]
    after = means_of(part, AFTER_S)[BEFORE_S:]
    jump = after - before
    dry = float(np.median(part[:BEFORE_S]))
    least = max(STEP_NOISES * noise.fast, STEP, noise.decades(dry, STEP_CODES * noise.code_s(dry)))
    threes = means_of(part, 3)
    rests = np.minimum.accumulate(threes[::-1])[::-1]  # the least that is still to come, from each second on
    for i in np.flatnonzero(jump > least).tolist():
        top = i + int(np.argmax(jump[i : i + AFTER_S + 1]))
        if rests[BEFORE_S + top + 1] - before[top] > STEP_LEFT * jump[top]:
            above = part[BEFORE_S + i :] - before[i] > max(3 * noise.fast, 0.25 * jump[top])
            return low + BEFORE_S + i + int(np.argmax(above))
    return None
