"""The middle of some values, without what a general library asks of them first: it is asked for many times at each block."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def median(values: NDArray[np.float64]) -> float:
    """Median of finite values, shape (n,); NaN where there is none."""
    half, odd = divmod(len(values), 2)
    if not len(values):
        return float("nan")
    if odd:
        return float(np.partition(values, half)[half])
    middle = np.partition(values, (half - 1, half))
    return float(0.5 * (middle[half - 1] + middle[half]))


def deviation_of(values: NDArray[np.float64]) -> float:
    """Standard deviation by the median absolute deviation (1.4826 for a normal distribution)."""
    return 1.4826 * median(np.abs(values - median(values)))
