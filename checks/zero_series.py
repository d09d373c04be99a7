"""The empties ledger as numbers: what the counts say of the belt, what the gauge takes for empty, and the error of the zero.

All in t/h at the usual belt speed, Kv = 3.6 C v [t/h per unit of ln]. With P(t) the logarithm of a net empty-belt rate that
decays with the declared nuclide:

    counts = Kv (P(t) - ln N)    above zero: fewer counts than then, as more mass, a weaker beam or a lesser gain give
    gauge  = Kv (ln N0 - P(t))   ln N0 is what the gauge takes for empty: from flow less the flow that counts demand
    error  = counts + gauge      what the gauge shows on the empty belt
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from checks.derived import ExpectedFlow
from checks.physics import T_H_PER_KG_S, true_rate
from checks.stretches import EmptyStretch, Stretches, column, each_of, had
from checks.window import Window
from config.model import Loop
from config.nuclides import decay_constant_s

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

DAY_S = 86400.0
MEDIAN_OF_CHI2 = 0.4549
"""Median of chi-square with one degree of freedom."""
PRIOR_ROWS = 6.0
"""Weight of the scatter that is taken before a site has shown its own."""
APART_S = 2 * DAY_S
"""Stretches further apart do not tell the scatter."""
SMALLEST_GAUGE = 0.1
"""Scatter of what the gauge takes for empty that is always allowed for [t/h]: rounding and edges of its filter."""
GAIN_NATS = 12.0
"""What a split of the series must gain to count as a change."""
RECENT_S = 3 * DAY_S
CHANGES = frozenset({"tare", "gauge-restart", "gauge-clock-step", "parameter-change"})
"""Events after which the gauge may take another rate for empty."""
LEAST_ROWS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Shape (n,) each, oldest first; `gauge` and `error` are NaN where the gauge's idea of empty is not known.

    `variance` is that of `counts` from counting alone [(t/h)^2], `scatter` the site's own beside it for each row, `by_day`
    the standard deviation that the means of whole days have beyond both, both [t/h].
    """

    stretches: tuple[EmptyStretch, ...]
    kv: float
    decay_per_day: float
    """Kv times the decay constant of the declared nuclide [t/h per day]."""
    time_s: Floats
    counts: Floats
    gauge: Floats
    error: Floats
    variance: Floats
    scatter: Floats
    by_day: float
    gauge_scatter: float
    temperature: Floats
    declared: bool
    """Whether P(t) is the declared empty-belt rate with its date, so that levels mean something by themselves."""
    reference_s: float

    def __len__(self) -> int:
        return len(self.time_s)

    @property
    def weight(self) -> Floats:
        """1 / (counting + scatter) of each row."""
        return np.asarray(1.0 / (self.variance + self.scatter**2), np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """The mean of the newest rows [t/h] with its standard error, from row `first` on; `rows` of them carry it."""

    value: float
    se: float
    first: int
    rows: int
    counts: float
    gauge: float


def kv_of(loop: Loop, speed: float) -> float:
    """Flow for one unit of the logarithm [t/h] at a belt speed [m/s]; NaN where the calibration is not declared."""
    c = loop.gauge.load_per_attenuation
    return T_H_PER_KG_S * c * speed if c is not None else math.nan


def series_in(window: Window) -> Series | None:
    """The series of the stretches of a window."""
    return series_of(window.loop, window.empties, window.loop.limits.zero.scatter / 100.0)


def series_of(loop: Loop, stretches: Sequence[EmptyStretch], prior_scatter: float) -> Series | None:
    """The series of a loop; None where Kv is not known or no stretch is there. `prior_scatter` in parts of the counts."""
    within = within_limits(loop, stretches)
    if not within.all():
        stretches = [entry for entry, there in zip(stretches, within.tolist(), strict=True) if there]
    speeds = column(stretches, "speed")
    speed = float(np.nanmedian(speeds)) if np.isfinite(speeds).any() else loop.drive.speed_at_nominal or math.nan
    kv = kv_of(loop, speed)
    if not stretches or not math.isfinite(kv) or kv <= 0.0:
        return None
    time_s = 0.5 * (column(stretches, "start_s") + column(stretches, "end_s"))
    ln_net = column(stretches, "ln_net")
    taken = _taken_for_empty(loop, stretches, time_s, ln_net, speed)
    decay = decay_constant_s(loop.gauge.nuclide)
    gauge = loop.gauge
    declared = gauge.empty_belt_rate is not None and gauge.reference_date is not None
    if declared:
        physical, reference_s = expected(loop, stretches, time_s), _date_s(loop)
    else:
        known = np.flatnonzero(np.isfinite(taken))
        anchor = float(taken[known[0]]) if len(known) else float(ln_net[0])
        reference_s = float(time_s[known[0]]) if len(known) else float(time_s[0])
        physical = anchor - decay * (time_s - reference_s)
    counts, at_gauge = kv * (physical - ln_net), kv * (taken - physical)
    variance = (kv * column(stretches, "se")) ** 2
    whole = each_of(stretches, "whole", lambda entry: float(entry.whole)) > 0.0
    scatter = np.zeros(len(stretches))
    for kind in (True, False):
        scatter[whole == kind] = _scatter(time_s, counts, variance, whole == kind, kv * prior_scatter)
    gauge_scatter = math.sqrt(_differences(at_gauge) + SMALLEST_GAUGE**2)
    return Series(
        stretches=stretches if isinstance(stretches, Stretches) else tuple(stretches), kv=kv, decay_per_day=kv * decay * DAY_S, time_s=time_s, counts=counts, gauge=at_gauge,
        error=counts + at_gauge, variance=variance, scatter=scatter, gauge_scatter=gauge_scatter,
        by_day=_by_day(time_s, counts, variance + scatter**2, kv * prior_scatter),
        temperature=column(stretches, "temperature"), declared=declared, reference_s=reference_s,
    )  # fmt: skip


def _date_s(loop: Loop) -> float:
    date = loop.gauge.reference_date
    assert date is not None
    return datetime(date.year, date.month, date.day, tzinfo=UTC).timestamp()


def expected(loop: Loop, stretches: Sequence[EmptyStretch], time_s: Floats) -> Floats:
    """ln of the net empty-belt rate by which `expected_flow` goes, NaN where there is none."""
    gauge = loop.gauge
    background = true_rate(gauge.background, gauge.dead_time)
    if gauge.empty_belt_rate is not None:
        gross = ExpectedFlow(loop, 1).empty_at(time_s.astype(np.int64))
    else:
        gross = np.asarray(true_rate(column(stretches, "tare_rate"), gauge.dead_time), np.float64)
    net = gross - background
    return np.log(np.where(net > 0.0, net, np.nan))


def within_limits(loop: Loop, stretches: Sequence[EmptyStretch]) -> Bools:
    """Stretches of a detector within its temperatures, shape (n,): what it counts outside says nothing of the belt."""
    limit, temperature = loop.limits.temperature, column(stretches, "temperature")
    return np.asarray(~((temperature < limit.suspect_low) | (temperature > limit.suspect_high)))


def taken_now(loop: Loop, stretches: Sequence[EmptyStretch], time_s: Floats, ln_net: Floats, speed: float | Floats) -> Floats:
    """ln of the net rate that the gauge takes for empty, as each stretch shows it by itself: from the loaded belt, else from a flow
    on the empty belt that is not hidden; NaN where neither is there. `speed` [m/s] is that of the belt, or of each stretch."""
    kv = kv_of(loop, 1.0)
    by_load = expected(loop, stretches, time_s) + column(stretches, "load_error") / (kv * speed)
    at = column(stretches, "speed")
    own = kv * np.where(np.isfinite(at) & (at != 0.0), at, speed)
    flow = np.where(column(stretches, "hidden") > 0.0, np.nan, column(stretches, "flow"))
    if loop.gauge.low_cutoff > 0.0:
        flow[:] = np.nan
    return np.where(np.isfinite(by_load), by_load, ln_net + flow / own)


def _taken_for_empty(loop: Loop, stretches: Sequence[EmptyStretch], time_s: Floats, ln_net: Floats, speed: float) -> Floats:
    """The same, and where a stretch shows none what was known last where nothing happened to the gauge since."""
    taken = taken_now(loop, stretches, time_s, ln_net, speed)
    decay = decay_constant_s(loop.gauge.nuclide)
    unknown = np.flatnonzero(np.isnan(taken) & ~had(stretches, CHANGES))
    for row in unknown[unknown > 0].tolist():
        taken[row] = taken[row - 1] - decay * (time_s[row] - time_s[row - 1])
    return taken


def _differences(values: Floats) -> float:
    """Variance of the values by their successive differences, steps and slopes left out (median)."""
    steps = np.diff(values[np.isfinite(values)])
    return float(np.median(steps**2)) / (2.0 * MEDIAN_OF_CHI2) if len(steps) else 0.0


def _scatter(time_s: Floats, values: Floats, variance: Floats, rows: Bools, prior: float) -> float:
    """Standard deviation beyond counting, from neighbouring rows of a kind, drawn towards the prior while they are few."""
    index = np.flatnonzero(rows)
    near = np.diff(time_s[index]) < APART_S
    steps = np.diff(values[index])[near] ** 2
    seen = 0.0
    if len(steps):
        both = (variance[index][1:] + variance[index][:-1])[near]
        seen = max(0.0, float(np.median(steps)) / MEDIAN_OF_CHI2 - float(np.median(both))) / 2.0
    return math.sqrt((PRIOR_ROWS * prior**2 + len(steps) * seen) / (PRIOR_ROWS + len(steps)))


def _by_day(time_s: Floats, values: Floats, variance: Floats, prior: float) -> float:
    """Standard deviation of day means beyond that of their rows, in the same way, but by how each day lies off the line through
    its two neighbours: what grows from day to day is no scatter."""
    days, row_of = np.unique(time_s // DAY_S, return_inverse=True)
    weight = np.bincount(row_of, 1.0 / variance)
    mean = np.bincount(row_of, values / variance) / weight
    before, after = np.diff(days)[:-1], np.diff(days)[1:]
    near = (before < 8.0) & (after < 8.0)
    left, right = (after / (before + after))[near], (before / (before + after))[near]
    off = (mean[1:-1][near] - left * mean[:-2][near] - right * mean[2:][near]) ** 2
    parts = 1.0 + left**2 + right**2
    counted = (1.0 / weight[1:-1][near] + left**2 / weight[:-2][near] + right**2 / weight[2:][near]) / parts
    seen, steps = 0.0, off / parts
    if len(steps):
        seen = max(0.0, float(np.median(steps)) / MEDIAN_OF_CHI2 - float(np.median(counted)))
    return math.sqrt((PRIOR_ROWS * prior**2 + len(steps) * seen) / (PRIOR_ROWS + len(steps)))


def last_change(values: Floats, weight: Floats, rounds: int = 8) -> int:
    """First row after the last change of the mean; 0 where there is none. Weighted least squares over all splits."""
    begin = 0
    for _ in range(rounds):
        y, w = values[begin:], weight[begin:]
        n = len(y)
        if n < LEAST_ROWS:
            break
        sw, sy = np.cumsum(w), np.cumsum(w * y)
        cut = np.arange(n - 1)
        left, right = sy[cut] / sw[cut], (sy[-1] - sy[cut]) / (sw[-1] - sw[cut])
        gain = 0.5 * (right - left) ** 2 * sw[cut] * (sw[-1] - sw[cut]) / sw[-1]
        best = int(np.argmax(gain))
        if gain[best] < GAIN_NATS:
            break
        begin += int(cut[best]) + 1
    return begin


def current(series: Series) -> Level | None:
    """The error of the zero now: the rows since the last change, of the last three days where there are enough; None without any.

    What a day may be off is not averaged away by its many rows. A single row that differs from those before it waits for
    another.
    """
    good = np.flatnonzero(np.isfinite(series.error))
    if not len(good):
        return None
    good = good[series.time_s[good] >= series.time_s[good[-1]] - 7 * DAY_S]
    weight = series.weight[good]
    first = last_change(series.error[good], weight)
    if len(good) > 1 and first == len(good) - 1:
        good, weight = good[:-1], weight[:-1]
        first = last_change(series.error[good], weight)
    time_s = series.time_s[good]
    recent = int(np.searchsorted(time_s, time_s[-1] - RECENT_S))
    first = max(first, min(recent, len(good) - LEAST_ROWS), 0)
    rows, weight = good[first:], weight[first:]
    days = max(1.0, math.ceil((time_s[-1] - time_s[first]) / DAY_S))
    mean = float((weight * series.error[rows]).sum() / weight.sum())
    se = math.sqrt(1.0 / float(weight.sum()) + series.by_day**2 / days)
    return Level(
        value=mean, se=se, first=int(rows[0]), rows=len(rows),
        counts=float((weight * series.counts[rows]).sum() / weight.sum()),
        gauge=float((weight * series.gauge[rows]).sum() / weight.sum()),
    )  # fmt: skip
