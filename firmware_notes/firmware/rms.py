"""Root mean square of what is left when the mean is taken off, sample by sample, in constant memory (Welford 1962)."""

from math import sqrt


class Rms:
    """Feed it with ``add``; ``take`` gives the value since the last ``take`` and begins anew."""

    def __init__(self):
        self._n, self._mean, self._sum = 0, 0.0, 0.0

    def add(self, x):
        """Take one sample."""
        self._n += 1
        off = x - self._mean
        self._mean += off / self._n
        self._sum += off * (x - self._mean)

    def take(self):
        """RMS about the mean, in the samples' unit; 0 without samples."""
        value = sqrt(self._sum / self._n) if self._n else 0.0
        self._n, self._mean, self._sum = 0, 0.0, 0.0
        return value
