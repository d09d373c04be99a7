"""Where a fitted line crosses identity: the flow at which both ends agree tells the mechanism of a difference."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Pivot:
    """Crossing of y = O + G x with y = x, in the unit of x, with its interval; `low`, `high` infinite where unbounded."""

    at: float
    low: float
    high: float

    @property
    def bounded(self) -> bool:
        """Whether the interval has two ends."""
        return bool(np.isfinite(self.low) and np.isfinite(self.high))

    def in_ma(self, low: float, high: float) -> Pivot:
        """The same on the scale of a 4-20 mA signal whose range is `low` to `high`."""

        def scaled(value: float) -> float:
            return 4.0 + 16.0 * (value - low) / (high - low)

        return Pivot(at=scaled(self.at), low=scaled(self.low), high=scaled(self.high))


def fieller(offset: float, gain: float, covariance: NDArray[np.float64], confidence: float = 0.95) -> Pivot:
    """Fieller interval of F* = -offset/gain for the deviation line y - x = offset + gain x (gain = G - 1).

    `covariance` is that of (offset, gain), shape (2, 2), statistical and systematic part together. The interval is
    unbounded where the gain cannot be told from zero (Fieller 1954; from memory).
    """
    t2 = NormalDist().inv_cdf(0.5 + confidence / 2.0) ** 2
    a = gain * gain - t2 * covariance[1, 1]
    b = offset * gain - t2 * covariance[0, 1]
    c = offset * offset - t2 * covariance[0, 0]
    at = -offset / gain if gain != 0.0 else inf
    if a <= 0.0:
        return Pivot(at=at, low=-inf, high=inf)
    root = b * b - a * c
    if root < 0.0:
        return Pivot(at=at, low=-inf, high=inf)
    width = sqrt(root)
    return Pivot(at=at, low=(-b - width) / a, high=(-b + width) / a)


def chi_square_at(flow: float, offset: float, gain: float, covariance: NDArray[np.float64]) -> float:
    """Chi-square (one degree of freedom) of the hypothesis that the line crosses identity at `flow`."""
    direction = np.array([1.0, flow])
    variance = float(direction @ covariance @ direction)
    deviation = offset + gain * flow
    return deviation * deviation / variance if variance > 0.0 else inf
