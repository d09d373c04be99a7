"""Where a column of values changes. Most columns stand still nearly always, and that is seen at one look."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def changed(values: NDArray[np.float64], before: float) -> NDArray[np.intp]:
    """Rows of finite values that differ from the finite value before them; `before` stands ahead, where it is NaN the first
    finite value counts. NaN is passed over."""
    if not len(values):
        return np.zeros(0, np.intp)
    if values.strides == (0,):  # one value for all rows
        values = values[:1]
    same = values[1:] == values[:-1]
    if same.all() and np.isfinite(values[0]):
        return np.arange(int(values[0] != before))
    good = np.flatnonzero(np.isfinite(values))
    known = values[good]
    return good[np.concatenate([[before], known[:-1]]) != known] if len(good) else good


def newest(values: NDArray[np.float64], before: float) -> float:
    """The last finite value; `before` where there is none."""
    if len(values) and np.isfinite(values[-1]):
        return float(values[-1])
    good = values[np.isfinite(values)]
    return float(good[-1]) if len(good) else before
