"""Whether the newest rows stand beyond a limit: every stretch that ends now, at a known rate of false alarms.

The window-limited form of the likelihood ratio over when a shift began and how large it is (Lai, J. R. Statist. Soc. B 57 (1995);
Siegmund, Sequential Analysis (1985); from memory). It needs no guess of the shift, loses little to the cumulative sum made for it
(`tests/bench/detection_delay.py`), and is a function of the rows alone, so that nothing must be remembered.

A row lies beyond its level by chance with p = 1 / (rows of a year x residuals x sides x stretches), so that, whatever their
correlation (Boole), all stretches of all residuals of a loop together raise one false alarm a year at most, and that only of a
line that stands exactly at its limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

Floats = NDArray[np.float64]

STRETCHES = 60
"""Rows of the longest stretch; what needs longer is left to the fit of the line."""
RESIDUALS, SIDES = 11, 2
YEAR_S = 365.2422 * 86400.0
STEADINESS, NEWEST = 0.35, 3
"""A stretch whose newest rows, or whose middle row by size, deviate less than this part of its mean died away: no fault does."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """The shortest stretch that ends now and lies beyond the limit: its rows, mean [t/h], and what noise and lag make of it."""

    rows: int
    mean: float
    noise: float
    moved: float


@cache
def level(length_s: int) -> float:
    """Standard deviations that the mean of a stretch must exceed its limit by."""
    return float(norm.isf(length_s / (YEAR_S * RESIDUALS * SIDES * STRETCHES)))


def beyond(
    each: Floats,
    ends: Floats,
    *,
    sigma: float,
    rho: float,
    late_s: float,
    length_s: int,
    limit: float,
    least: int = 1,
) -> Stretch | None:
    """The shortest stretch of the newest rows, `least` at least, whose mean lies beyond +-`limit` [t/h], None where none does.

    `each` (n,) deviations of adjacent rows of `length_s` [s], the newest last, `ends` (n, 4) what both stations showed at the
    first second of each row and at its last one (`checks.lines.Rows.ends`); no NaN. `sigma` and `rho` are the standard deviation
    [t/h] and lag-one correlation of a row's noise; where the rows themselves scatter more, that counts. A lag unknown by `late_s`
    [s] moves the mean of a stretch by what a station did from its first second to its last, at most.
    """
    newest = slice(-STRETCHES, None)
    each, ends = each[newest][::-1], ends[newest][::-1]
    if not len(each):
        return None
    count = np.arange(1, len(each) + 1)
    total = np.cumsum(each)
    mean = total / count
    own = float(np.median(np.abs(np.diff(each)))) / 0.954 if len(each) > 6 else 0.0  # 0.6745 sqrt(2)
    correlated = np.minimum(1.0, np.sqrt((1.0 + rho) / (1.0 - rho) / count))
    noise = level(length_s) * max(sigma, own) * correlated
    moved = late_s * np.abs(ends[0, 2:] - ends[:, :2]).max(axis=1) / (count * length_s)
    out = np.abs(mean) - np.hypot(noise, moved) > limit  # both at their worst at once is less likely than either
    for rows in count[out & (count >= least)].tolist():
        size, toward = abs(mean[rows - 1]), np.sign(mean[rows - 1])
        newest_rows = each[: max(min(rows // 2, NEWEST), 1)]
        if min(toward * float(newest_rows.mean()), toward * float(np.median(each[:rows]))) >= STEADINESS * size:
            return Stretch(rows, float(mean[rows - 1]), float(noise[rows - 1]), float(moved[rows - 1]))
    return None
