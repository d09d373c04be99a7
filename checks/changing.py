"""Where a column of values changes. Most columns stand still nearly always, and that is seen at one look."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

NOWHERE = np.zeros(0, np.intp)


def changed(values: NDArray[np.float64], before: float) -> NDArray[np.intp]:
    """Rows of finite values that differ from the finite value before them; `before` stands ahead, where it is NaN the first
    finite value counts. NaN is passed over."""
    if not len(values) or (values == before).all():
        return NOWHERE
    if values.strides == (0,):  # one value for all rows
        values = values[:1]
    same = values[1:] == values[:-1]
    if same.all() and math.isfinite(values[0]):
        return np.zeros(int(values[0] != before), np.intp)
    good = np.flatnonzero(np.isfinite(values))
    known = values[good]
    return good[np.concatenate([[before], known[:-1]]) != known] if len(good) else good


def newest(values: NDArray[np.float64], before: float) -> float:
    """The last finite value; `before` where there is none."""
    if len(values) and math.isfinite(values[-1]):
        return float(values[-1])
    good = values[np.isfinite(values)]
    return float(good[-1]) if len(good) else before
