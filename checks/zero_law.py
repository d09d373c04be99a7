"""How what the gauge takes for empty runs against the decay of the source, and the clock it goes by."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from checks.stretches import had
from checks.window import Window
from checks.zero_series import DAY_S, Series, series_in

Floats = NDArray[np.float64]

MONTH_D = 30.0
"""A month of drift [d]."""
JUMP = 5.0
"""A step between neighbours of so many standard deviations begins a new stretch of the law."""
SMALLEST_JUMP = 0.01
"""And of at least this part of the limit of a month."""
ALIKE = 0.25
"""The heights of a saw-tooth agree with the decay of its length within this part."""
RESETS = frozenset({"tare", "gauge-restart", "gauge-clock-step", "parameter-change", "calibration"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """Slope of what the gauge takes for empty against the declared law [t/h per day], over `days` in stretches of the law.

    `whole` is the slope over all of it, steps included; `steps` the heights [t/h], `apart_d` the days between them;
    `longest_d` the longest time without a step.
    """

    slope: float
    se: float
    days: float
    rows: int
    whole: float
    steps: tuple[float, ...]
    apart_d: tuple[float, ...]
    longest_d: float


def law_in(window: Window) -> Law | None:
    """The law over the ledger of a window; None where there is no series."""
    series = window.once("series of empties", series_in)
    return law_of(series) if series is not None else None


def law_of(series: Series) -> Law | None:
    """The law over the ledger; None where the gauge's idea of empty was not known often enough."""
    good = np.flatnonzero(np.isfinite(series.gauge))
    if len(good) < 3:
        return None
    days, value = series.time_s[good] / DAY_S, series.gauge[good]
    sd = max(series.gauge_scatter, SMALLEST_JUMP * series.decay_per_day * MONTH_D)
    expected = np.abs(np.diff(days)) * 3.0 * series.decay_per_day
    jumped = np.abs(np.diff(value)) > JUMP * sd + expected
    reset = had(series.stretches, RESETS)[good][1:]
    piece = np.concatenate([[0], np.cumsum(jumped | reset)])
    steps = tuple((np.diff(value)[jumped & ~reset]).tolist())
    at = days[1:][jumped & ~reset]
    count = np.bincount(piece)
    x = days - (np.bincount(piece, days) / count)[piece]
    y = value - (np.bincount(piece, value) / count)[piece]
    size = float((x * x).sum())
    if size <= 0.0:
        return None
    slope = float((x * y).sum()) / size
    left = y - slope * x
    freedom = max(len(good) - len(count) - 1, 1)
    spread = math.sqrt(float((left * left).sum()) / freedom)
    spread = math.hypot(spread, SMALLEST_JUMP) * math.sqrt(_correlated(left))
    centred = days - days.mean()
    whole = float((centred * (value - value.mean())).sum()) / float((centred * centred).sum())
    edges = np.concatenate([[days[0]], at, [days[-1]]])
    return Law(
        slope=slope, se=spread / math.sqrt(size), days=float(days[-1] - days[0]), rows=len(good), whole=whole, steps=steps,
        apart_d=tuple(np.diff(edges)[1:-1].tolist()), longest_d=float(np.diff(edges).max()),
    )  # fmt: skip


def _correlated(left: Floats) -> float:
    """By how much correlation of neighbours raises the variance of a slope: (1 + rho)/(1 - rho), rho not below zero."""
    size = float((left * left).sum())
    rho = float((left[1:] * left[:-1]).sum()) / size if size > 0.0 else 0.0
    rho = min(max(rho + (1.0 + 3.0 * rho) / len(left), 0.0), 0.95)
    return (1.0 + rho) / (1.0 - rho)


def in_steps(series: Series, law: Law) -> float | None:
    """The interval of a compensation in steps [days]; None where it is none.

    Between the steps the gauge falls behind by exactly the decay, each step takes back what the days before it made.
    """
    own = series.decay_per_day
    if len(law.steps) < 2 or abs(law.slope - own) > max(0.1 * own, 3.0 * law.se):
        return None
    heights = np.array(law.steps[1:])
    expected = -own * np.array(law.apart_d)
    if len(heights) != len(expected) or (heights >= 0.0).any():
        return None
    allowed = ALIKE * np.abs(expected) + 3.0 * series.gauge_scatter
    if (np.abs(heights - expected) > allowed).any() or abs(law.whole) > 0.5 * own:
        return None
    return float(np.median(law.apart_d))


def without_steps(series: Series, law: Law | None) -> Series:
    """The series as if a compensation in steps were one without: its saw-tooth is honest."""
    if law is None or in_steps(series, law) is None:
        return series
    return replace(series, gauge=np.where(np.isfinite(series.gauge), 0.0, np.nan), error=series.counts.copy())


def clock_skew_s(window: Window) -> float | None:
    """Clock of the gauge less ours [s], None where it is not read."""
    last = window.blocks[slice(-30, None)]
    clocks, ends = last.of("last", "gauge_clock"), last.start_s + last.length_s
    good = np.flatnonzero(np.isfinite(clocks))
    return float(np.median(clocks[good] - ends[good])) if len(good) else None
