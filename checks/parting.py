"""Since when two signals go their own ways, and whether one is the other at another time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
KEPT = 0.8
"""Part of the rows that counts where two signals are laid over each other."""


def parted_from(apart: Bools) -> int | None:
    """First row of the stretch that ends now in which rows lie apart, shape (n,); None where there is none.

    Signals of one range agree by chance, so the best single split of a row of yes and no is taken: Bernoulli likelihood of
    the rows before and behind each cut.
    """
    n = len(apart)
    if n < 6 or not apart.any():
        return None
    total = np.concatenate([[0.0], np.cumsum(apart)])
    cut = np.arange(1, n)
    likelihood = _bernoulli(total[cut], cut) + _bernoulli(total[-1] - total[cut], n - cut)
    best = int(np.argmax(likelihood))
    before, behind = total[cut[best]] / cut[best], (total[-1] - total[cut[best]]) / (n - cut[best])
    if behind < 0.3:
        return None
    if before > 0.5 * behind:  # apart all along
        return 0
    return int(cut[best])


def _bernoulli(hits: Floats, count: NDArray[np.int_]) -> Floats:
    p = np.clip(hits / count, 1e-3, 1.0 - 1e-3)
    return np.asarray(hits * np.log(p) + (count - hits) * np.log(1.0 - p), np.float64)


def likeness(x: Floats, y: Floats, earliest: int, latest: int) -> float:
    """Largest correlation of y with x over the lags `earliest`..`latest` [rows]; NaN rows are left out, NaN where none is left."""
    best = -np.inf
    for lag in range(earliest, latest + 1):
        a = x[max(0, -lag) : len(x) - max(0, lag)]
        b = y[max(0, lag) : len(y) - max(0, -lag)]
        both = np.isfinite(a) & np.isfinite(b)
        if both.sum() < 0.5 * len(x):
            continue
        a, b = a[both] - a[both].mean(), b[both] - b[both].mean()
        size = float(np.sqrt((a @ a) * (b @ b)))
        if size > 0.0:
            best = max(best, float(a @ b) / size)
    return best if np.isfinite(best) else float("nan")


def shift_that_fits(
    time_s: NDArray[np.int64], x: Floats, y: Floats, since: int, shifts_s: NDArray[np.int64], least: int
) -> tuple[int, float] | None:
    """Shift [s] at which the rows of y from `since` on lie nearest to x, and the root of their mean square distance.

    The worst fifth of the rows is left out: behind a lag of some seconds every edge of the load is one.
    y(t) is compared with x(t - shift), at moments of which both have a row; shifts with fewer than `least` such rows are
    left out. None where none is left.
    """
    late, values = time_s[since:], y[since:]
    best: tuple[int, float] | None = None
    for shift in shifts_s.tolist():
        place = np.searchsorted(time_s, late - shift)
        place = np.minimum(place, len(time_s) - 1)
        both = (time_s[place] == late - shift) & np.isfinite(values) & np.isfinite(x[place])
        if both.sum() < least:
            continue
        square = np.sort((values[both] - x[place][both]) ** 2)
        distance = float(np.sqrt(np.mean(square[: max(least // 2, int(KEPT * len(square)))])))
        if best is None or distance < best[1]:
            best = (shift, distance)
    return best
