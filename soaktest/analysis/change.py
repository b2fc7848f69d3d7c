"""Change detection: Page's test, and the onset of a change by maximum likelihood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soaktest.analysis.series import Floats


def page_step(total: float, z: float, k: float) -> float:
    """One step of the one-sided upper test: S = max(0, S + z - k). Source: Page, Biometrika 1954;41:100."""
    return max(0.0, total + z - k)


def follow(level: float, value: float, weight: float) -> float:
    """One step of an exponentially weighted moving average."""
    return level + weight * (value - level)


@dataclass(frozen=True, slots=True)
class Onset:
    """Index of the first changed sample, and the indices of its 90 % interval."""

    index: int
    low: int
    high: int


def find_onset(z: Floats, temper: float = 0.15) -> Onset:
    """Where a standardised series leaves 0 for a rising line, by maximum likelihood.

    Before the onset z is noise of unit variance about 0, from it on a + b * time with a, b >= 0
    (a step, a ramp, or both). Real noise is not white, so the likelihood is raised to ``temper``.

    Args:
        z: shape (n,), n >= 3, the change somewhere before the end.
        temper: 0 to 1.
    """
    n = len(z)
    i = np.arange(n, dtype=np.float64)
    # Sums from each candidate to the end, of 1, u, u^2, z, u z with u = time since the candidate.
    m = n - i
    s1 = m * (m - 1) / 2
    s2 = (m - 1) * m * (2 * m - 1) / 6
    sz = np.cumsum(z[::-1])[::-1]
    siz = np.cumsum((i * z)[::-1])[::-1] - i * sz
    det = m * s2 - s1 * s1
    with np.errstate(divide="ignore", invalid="ignore"):
        b = np.where(det > 0, (m * siz - s1 * sz) / det, 0.0)
    a = (sz - b * s1) / m
    only_level, only_slope = np.maximum(sz / m, 0.0), np.maximum(siz / np.maximum(s2, 1.0), 0.0)
    gain = a * sz + b * siz
    gain = np.where((a < 0) | (b < 0), np.maximum(only_level * sz, only_slope * siz), gain)
    log_like = temper * gain / 2
    weight = np.exp(log_like - log_like.max())
    total = np.cumsum(weight) / weight.sum()
    return Onset(
        int(np.argmax(gain)), int(np.searchsorted(total, 0.05)), min(int(np.searchsorted(total, 0.95)), n - 1)
    )
