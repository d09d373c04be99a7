"""Since when: the moment at which one line gave way to another."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

INTERVAL_NATS = 3.0
"""Drop of the log-likelihood that bounds the interval of a change (93-96 % coverage for lag-one correlations 0 to 0.9)."""
LEAST_GAIN_NATS = 15.0
"""Log-likelihood, corrected for correlation, that a split must gain before it counts as a change."""
LONG_SIDE = 30
"""Rows from which a side tells its own correlation."""
LEAST_ROWS = 3
"""Rows that each side of a split must keep."""
CREEP = 0.001
"""By how much of x a level may creep before its kink, one sigma: twice what the integration of a sound total may be off."""
KINK_SQUARES = 4.0
"""Rise of the squares, over that of a row, that bounds the interval of a kink: chi-square of 95 % with one degree of freedom."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """A change between row `row` - 1 and row `row`; rows `first`..`last` are as good within the interval; `gain` [nats].

    `since` is the first row of the line before the change, `rho` the lag-one correlation of the noise about both.
    """

    row: int
    first: int
    last: int
    gain: float
    since: int = 0
    rho: float = 0.0


def _line_rss(sums: Floats, ridge: float) -> Floats:
    """Residual sum of squares of r = a + b x from its sums (columns 1, x, xx, r, xr, rr), slope held small by a ridge."""
    n, x, xx, r, xr, rr = sums.T
    n = np.maximum(n, 1.0)
    sxx = np.maximum(xx - x * x / n, 0.0)
    sxr = xr - x * r / n
    srr = np.maximum(rr - r * r / n, 0.0)
    return np.asarray(np.maximum(srr - sxr * sxr / (sxx + ridge), 0.0), np.float64)


def split_line(x: Floats, deviation: Floats, *, floor: float, slope_scale: float = 0.1) -> Split | None:
    """The best single change of the line deviation = a + b x over the rows, None where none is worth its name.

    Each side has its own line and its own noise (not below `floor`, in the unit of the deviation). Profile log-likelihood
    over all splits by cumulative sums, divided by (1 + rho)/(1 - rho) where rho is the lag-one correlation left on the
    calmer side. `slope_scale` is the slope change thought possible beforehand (keeps short sides from overfitting).
    """
    rows = len(x)
    if rows < 2 * LEAST_ROWS:
        return None
    centred = x - x.mean()
    columns = np.stack([np.ones(rows), centred, centred * centred, deviation, centred * deviation, deviation * deviation])
    left = np.cumsum(columns, axis=1).T
    whole = left[-1]
    cuts = np.arange(LEAST_ROWS, rows - LEAST_ROWS + 1)
    before = left[cuts - 1]
    ridge = (floor / slope_scale) ** 2
    least = floor * floor
    n1 = cuts.astype(np.float64)
    n2 = rows - n1
    v1 = _line_rss(before, ridge) / n1 + least
    v2 = _line_rss(whole - before, ridge) / n2 + least
    one = float(_line_rss(whole[None, :], ridge)[0]) / rows + least
    likelihood = -0.5 * (n1 * np.log(v1) + n2 * np.log(v2))
    best = int(np.argmax(likelihood))
    row = int(cuts[best])
    rho = _correlation(centred, deviation, row)
    correction = (1.0 - rho) / (1.0 + rho)
    gain = float(likelihood[best] + 0.5 * rows * np.log(one)) * correction
    if gain < LEAST_GAIN_NATS:
        return None
    near = np.flatnonzero(likelihood * correction >= likelihood[best] * correction - INTERVAL_NATS)
    return Split(row=row, first=int(cuts[near[0]]), last=int(cuts[near[-1]]), gain=gain, rho=rho)


def _correlation(x: Floats, deviation: Floats, row: int) -> float:
    """Lag-one correlation of what the two lines leave over: of the calmer side, for the other may hold a change of its own."""
    found = []
    for side in (slice(0, row), slice(row, len(x))):
        part, flow = deviation[side] - deviation[side].mean(), x[side] - x[side].mean()
        spread = float(flow @ flow)
        left = part - (float(part @ flow) / spread if spread > 0.0 else 0.0) * flow
        size, rows = float(left @ left), len(left)
        if rows < LONG_SIDE or size <= 0.0:
            continue
        raw = float(left[1:] @ left[:-1]) / size
        found.append(float(np.clip(raw + (1.0 + 3.0 * raw) / rows, 0.0, 0.95)))
    return min(found, default=0.0)


def _moved(x: Floats, deviation: Floats, row: int, floor: float) -> float:
    """By how much the line after a change lies off the line before it, at the mean flow after it."""
    before, after = x[:row] - x[:row].mean(), x[row:]
    spread = float(before @ before) + (floor / 0.1) ** 2
    slope = float(before @ deviation[:row]) / spread
    told = float(deviation[:row].mean()) + slope * (float(after.mean()) - float(x[:row].mean()))
    return abs(float(deviation[row:].mean()) - told)


def last_change(
    x: Floats, deviation: Floats, *, floor: float, least: float = 0.0, rounds: int = 3, settling: int = 2
) -> tuple[int, Split | None]:
    """First row after the last change, and that change; (0, None) where there is none. Changes are taken right of the last.

    A change that moves the deviation by less than `least` at the flows that came after it is none: what an imperfect lag
    leaves at starts and stops is not a new line. Nor are the first `settling` rows behind a change looked at for another:
    a row in which the change lies, and what a lag carries on, stand between the two lines and would be taken for one.
    """
    begin, found = 0, None
    for number in range(rounds):
        first = begin + settling if number else 0
        split = split_line(x[first:], deviation[first:], floor=floor)
        if split is None or _moved(x[first:], deviation[first:], split.row, floor) < least:
            break
        found = replace(split, row=split.row + first, first=split.first + first, last=split.last + first, since=first)
        begin = found.row
    return begin, found


def kink(x: Floats, level: Floats, *, noise: float = 0.0) -> tuple[int, int, int]:
    """The row behind which a level that hardly moved begins to rise (or fall) with x, and the first and last row as good.

    Least squares of level = a + b x + s max(0, x - x_c) over every row c but the last; x must not fall. Before the kink the
    level may already creep by `CREEP` of x (one sigma, b; with `noise` the standard deviation of a level), as a total does whose
    integration is not exact. The interval holds 95 % where the residual is white; its squares are divided by
    (1 + rho)/(1 - rho) where it has a memory. At least 4 rows.
    """
    rows = len(x)
    along, height = x - x.mean(), level - level.mean()
    behind = np.arange(rows - 1, 0, -1.0)  # rows behind c

    def after(values: Floats) -> Floats:
        return np.asarray(np.cumsum(values[::-1])[::-1][1:], np.float64)

    at = along[:-1]
    s1, s2, sl, lengths = after(along), after(along * along), after(along * height), after(height)
    total, product = s1 - behind * at, sl - at * lengths
    squares, across = s2 - 2.0 * at * s1 + behind * at * at, s2 - at * s1
    inner = max(float(along @ along) + (noise / CREEP) ** 2, 1e-12)
    level_along = float(along @ height)
    spread = np.maximum(squares - total * total / rows - across * across / inner, 0.0)
    together = product - across * level_along / inner
    told = spread > 1e-9 * np.maximum(squares, 1e-12)
    slope = np.where(told, together / np.where(told, spread, 1.0), 0.0)
    misfit = float(height @ height) - level_along**2 / inner - slope * together
    misfit = np.maximum(misfit, 0.0)
    best = int(np.argmin(misfit))
    ramp = slope[best] * np.maximum(along - along[best], 0.0)
    left = height - ramp
    left = left - left.mean()
    left = left - along * (float(along @ left) / inner)
    size = float(left @ left)
    raw = float(left[1:] @ left[:-1]) / size if size > 0.0 else 0.0
    rho = float(np.clip(raw + (1.0 + 3.0 * raw) / rows, 0.0, 0.95))
    allowed = KINK_SQUARES * max(size / rows, 1e-12) * (1.0 + rho) / (1.0 - rho)
    near = np.flatnonzero(misfit <= misfit[best] + allowed)
    return best, int(near[0]), int(near[-1])
