"""What a pad shows without water: its noise, and the least that water is told from it by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soaktest.analysis.series import Floats

LEAST_NOISE = 0.0015
"""Decades: a third of a per cent, below which nothing on a floor is steady."""
LEAST_RISE = 0.08
"""Decades: a lasting rise of 20 %; one drop gives several times that even in soft water."""
LEAST_S = 2e-7
"""Siemens that no water stays under: less than half of what one drop of the softest tap water makes."""
LEAST_CODES = 3.0
"""Converter steps below which a lasting rise may be a code boundary crossed by hum or drift."""


def noise_of(log_g: Floats, t: Floats) -> tuple[float, float]:
    """Standard deviation of one second's value, and of slower wander, from the quieter part.

    Differences over 1 s give the first, of 10 s means the second; the quieter third of blocks of
    thirty is taken, so that events do not count as noise.
    """
    ok = np.diff(t) < 1.5
    steps = np.abs(np.diff(log_g))[ok]
    if len(steps) < 20:
        return 0.01, 0.01
    blocks = steps[: len(steps) // 30 * 30].reshape(-1, 30) if len(steps) >= 60 else steps[None, :]
    fast = float(np.quantile(np.sqrt((blocks**2).mean(axis=1) / 2), 0.35))
    tens = log_g[: len(log_g) // 10 * 10].reshape(-1, 10).mean(axis=1)
    slow = 0.0
    if len(tens) >= 12:
        bend = np.abs(tens[2:] - 2 * tens[1:-1] + tens[:-2])
        slow = float(np.quantile(bend, 0.4)) / 1.28
    return max(fast, LEAST_NOISE), max(slow, fast / 3, LEAST_NOISE)


@dataclass(frozen=True, slots=True)
class Noise:
    """What a pad shows without water, as far as its dating needs it; decades where nothing else is said."""

    fast: float
    slow: float
    counts: tuple[float, float]
    """Siemens of ``COUNTS_ML`` on the pad, in rather soft and in the best conducting water."""
    code: float
    """One step of the converter, share of its range."""
    divider_ohm: float

    @property
    def sigma(self) -> float:
        """Standard deviation of one second's value about a level that is followed, decades."""
        return float(np.hypot(self.fast, self.slow))

    def code_s(self, level: float) -> float:
        """Siemens of one step of the converter where the pad conducts 10^``level``: the more, the steeper."""
        return self.code * float((1.0 + 10.0**level * self.divider_ohm) ** 2) / self.divider_ohm

    @staticmethod
    def decades(level: float, siemens: float) -> float:
        """What so many siemens more are over 10^``level``."""
        return float(np.log10(1.0 + siemens / 10.0**level))

    def least_rise(self, level: float) -> float:
        """The least lasting rise over a dry level that is confirmed, in decades."""
        return max(
            LEAST_RISE, 5 * self.slow, self.decades(level, max(LEAST_S, LEAST_CODES * self.code_s(level)))
        )
