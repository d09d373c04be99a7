"""Does the empty belt follow the temperature of the detector, or the sun, day by day?

Within each day the counts are regressed on the detector temperature, up to four hours late, and on daylight of any hour; the
means of the days are left out, so that steps and drifts over days do not matter. Outliers weigh less (Huber's weights).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.zero_series import DAY_S, Series

Floats = NDArray[np.float64]

LAST_S = 30 * DAY_S
LEAST_DAYS, LEAST_ROWS = 3, 12
LEAST_SWING_K = 3.0
LAGS_H = (0.0, 1.0, 2.0, 3.0, 4.0)
SIGNIFICANT = 5.0
"""Standard errors a slope must have."""
CLEARLY_NATS = 6.0
"""How much better the sun must explain the counts than the temperature does, or the other way round."""
HUBER = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Swing:
    """What the counts follow: `by` is "temperature", "daylight" or "either"; `size` from the lowest to the highest [t/h].

    `part` is what the counts hold of it at each row of the series [t/h], shape (n,), zero in the mean of the temperature or at
    night; `coefficient` in t/h
    per K (per full sun), `se` its standard error, `lag_h` how late it follows [h]; `lightward` that the error is low by day.
    """

    by: str
    size: float
    size_se: float
    coefficient: float
    se: float
    lag_h: float
    part: Floats
    lightward: bool
    days: int


def swing_of(series: Series) -> Swing | None:
    """The daily swing of the counts; None where it cannot be seen or is not there."""
    rows = np.flatnonzero(series.time_s >= series.time_s[-1] - LAST_S)
    time_s, weight, counts, temperature = _by_hour(series, rows)
    day_of = _number(time_s // DAY_S)
    full = np.bincount(day_of) >= 2
    there = full[day_of]
    time_s, weight, counts, temperature = time_s[there], weight[there], counts[there], temperature[there]
    day_of = _number(time_s // DAY_S)
    if int(full.sum()) < LEAST_DAYS or len(time_s) < LEAST_ROWS:
        return None
    value = _within(counts, weight, day_of)
    hours = time_s / 3600.0 % 24.0
    by_sun = np.maximum(0.0, np.sin(2.0 * np.pi * (hours - np.arange(24.0)[:, None]) / 24.0))
    sun = _best(value, _within(by_sun, weight, day_of), weight)
    warm = None
    known = np.isfinite(series.temperature)
    if np.isfinite(temperature).all() and float(np.ptp(temperature)) >= LEAST_SWING_K:
        late = [np.interp(time_s - 3600.0 * lag, series.time_s[known], series.temperature[known]) for lag in LAGS_H]
        warm = _best(value, _within(np.stack(late), weight, day_of), weight)
    best = sun if warm is None or sun.gain > warm.gain + CLEARLY_NATS else warm
    if abs(best.slope) < SIGNIFICANT * best.se:
        return None
    if best is warm:
        lag = LAGS_H[best.index]
        course = np.interp(series.time_s - 3600.0 * lag, series.time_s[known], series.temperature[known])
        by = "temperature" if warm.gain > sun.gain - CLEARLY_NATS else "either"
    else:
        lag = 0.0
        course = np.maximum(0.0, np.sin(2.0 * np.pi * (series.time_s / 3600.0 % 24.0 - best.index) / 24.0))
        by = "daylight" if warm is not None else "either"
    low, high = np.quantile(course[rows], [0.05, 0.95])
    zero = 0.0 if best is sun else float(course[rows].mean())
    return Swing(
        by=by, size=abs(best.slope) * float(high - low), size_se=best.se * float(high - low), coefficient=best.slope,
        se=best.se, lag_h=lag, part=best.slope * (course - zero), lightward=best.slope < 0.0,
        days=int(full.sum()),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Fit:
    index: int
    slope: float
    se: float
    gain: float


def _number(days: Floats) -> NDArray[np.intp]:
    """Days in rising order, numbered from 0 without gaps."""
    return np.cumsum(np.diff(days, prepend=days[:1]) != 0.0)


def _by_hour(series: Series, rows: NDArray[np.intp]) -> tuple[Floats, Floats, Floats, Floats]:
    """Time, weight, counts and temperature of the rows of each hour together: what swings within a day needs no more."""
    weight = series.weight[rows]
    first = np.flatnonzero(np.diff(series.time_s[rows] // 3600.0, prepend=-1.0))
    total = np.add.reduceat(weight, first)
    time_s, counts, temperature = (
        np.add.reduceat(weight * values[rows], first) / total for values in (series.time_s, series.counts, series.temperature)
    )
    return time_s, total, counts, temperature


def _within(values: Floats, weight: Floats, day_of: NDArray[np.intp]) -> Floats:
    """Values, shape (..., n), less the weighted mean of their day."""
    first = np.flatnonzero(np.diff(day_of, prepend=-1))
    mean = np.add.reduceat(weight * values, first, axis=-1) / np.add.reduceat(weight, first)
    return np.asarray(values - mean[..., day_of], np.float64)


def _best(value: Floats, course: Floats, weight: Floats) -> _Fit:
    """The course, of those in the rows of `course`, with the largest gain: slopes through zero with Huber's weights, all at once.

    Standard errors grow with what is left over.
    """
    robust = np.ones_like(course)
    root = np.sqrt(weight)
    for turn in range(5):
        w = weight * robust * course
        size = (w * course).sum(axis=1)
        if turn == 4:
            break
        slope = np.where(size > 0.0, w @ value / np.where(size > 0.0, size, 1.0), 0.0)
        left = np.abs(value - slope[:, None] * course) * root
        robust = np.minimum(1.0, HUBER / np.maximum(left, 1e-9))
    over = (weight * robust * (value - slope[:, None] * course) ** 2).sum(axis=1)
    spread = np.maximum(1.0, over / max(len(value) - 2, 1))
    gain = np.where(size > 0.0, 0.5 * slope * slope * size / spread, -np.inf)
    best = int(np.argmax(gain))
    se = math.sqrt(float(spread[best] / size[best])) if size[best] > 0.0 else math.inf
    return _Fit(best, float(slope[best]), se, float(gain[best]))
