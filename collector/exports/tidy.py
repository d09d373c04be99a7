"""Rows in order of time, none twice; readings of several times on one grid, held or on a line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from checks.samples import BAD
from collector.exports.understanding import Understanding, count

Floats = NDArray[np.float64]
Codes = NDArray[np.uint8]

MOST_ROWS = 40_000_000
GAP_STEPS = 3.0


class Between(StrEnum):
    """What stands between two readings of a column."""

    HOLD = "hold"
    LINEAR = "linear"


@dataclass(slots=True)
class Series:
    """Readings of one column: time [epoch s], value and quality, in any order; NaN values are bad or missing readings."""

    time: Floats
    value: Floats
    quality: Codes


def tidy(series: Series) -> tuple[Series, int, int, int]:
    """Sorted, without rows that have no time and without second rows for one time; how many had no time, came again or were unsorted.

    Of two readings of one time the later one in the file holds, unless it says nothing (NaN of good quality).
    """
    timed = np.isfinite(series.time)
    time, value, quality = series.time[timed], series.value[timed], series.quality[timed]
    unsorted = int((np.diff(time) < 0).sum())
    silent = np.isnan(value) & (quality < BAD)
    order = np.lexsort((np.arange(len(time)), ~silent, time))
    time, value, quality = time[order], value[order], quality[order]
    last = np.append(np.diff(time) > 0, True) if len(time) else np.zeros(0, np.bool_)
    return (
        Series(time[last], value[last], quality[last]),
        int((~timed).sum()), int(len(time) - last.sum()), unsorted,
    )  # fmt: skip


def on_grid(series: Series, grid: Floats, between: Between, longest_s: float) -> Series:
    """A tidy series at the times of a grid.

    Parameters
    ----------
    series : Series
        Tidy.
    grid : array, shape (n,)
        Times wanted, ascending [epoch s].
    between : Between
        Hold the reading before, or go along a straight line to the next. Beside a bad reading nothing is drawn.
    longest_s : float
        A reading stands for no longer than this [s]; beyond it there is none (NaN, bad).
    """
    if not len(series.time):
        return Series(grid, np.full(len(grid), np.nan), np.full(len(grid), BAD, np.uint8))
    before = np.searchsorted(series.time, grid, side="right") - 1
    there = before >= 0
    source = np.maximum(before, 0)
    age = grid - series.time[source]
    stands = there & (age <= longest_s)
    value = np.where(stands, series.value[source], np.nan)
    quality = np.where(stands, series.quality[source], BAD).astype(np.uint8)
    if between is Between.LINEAR:
        after = np.minimum(source + 1, len(series.time) - 1)
        span = series.time[after] - series.time[source]
        ends = np.isfinite(series.value[source]) & np.isfinite(series.value[after])
        drawn = there & (span > 0) & (span <= longest_s) & ends
        share = np.divide(age, span, out=np.zeros_like(age), where=span > 0)
        value = np.where(drawn, series.value[source] + share * (series.value[after] - series.value[source]), value)
        quality = np.where(drawn, np.maximum(series.quality[source], series.quality[after]), quality).astype(np.uint8)
    return Series(grid, value, quality)


def usual_step(time: Floats) -> float:
    """The usual distance of rows [s], 1 where there are fewer than two."""
    steps = np.diff(time)
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else 1.0


def tell_gaps(time: Floats, said: Understanding) -> None:
    """Say how many gaps the rows have, and the longest."""
    steps = np.diff(time)
    step = usual_step(time)
    gaps = steps[steps > GAP_STEPS * step]
    if len(gaps):
        said.understood.append(
            f"{count(len(gaps), 'gap')} of more than {GAP_STEPS * step:g} s, the longest {_duration(float(gaps.max()))}, "
            f"{_duration(float(gaps.sum()))} in all: nothing is filled in"
        )


def one_grid(series: Mapping[str, Series]) -> Floats:
    """Times for readings that come each at its own time: whole steps of the quickest column, where any column has a reading near.

    Raises
    ------
    ValueError
        The grid would be larger than `MOST_ROWS`.
    """
    step = float(np.clip(round(min(usual_step(part.time) for part in series.values() if len(part.time))), 1.0, 60.0))
    first = min(part.time[0] for part in series.values() if len(part.time))
    last = max(part.time[-1] for part in series.values() if len(part.time))
    rows = int((last - first) // step) + 1
    if rows > MOST_ROWS:
        raise ValueError(f"the readings span {_duration(last - first)} at {step:g} s, {rows:,} rows")
    return np.arange(np.ceil(first / step), np.floor(last / step) + 1) * step


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 172_800 else f"{seconds / 86400:.1f} days"
