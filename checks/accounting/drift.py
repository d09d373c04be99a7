"""Whether something creeps, how fast, and on which day it reaches its limit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Floats = NDArray[np.floating[Any]]
DAY_S = 86400.0
LEAST_ROWS = 10
CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A straight line through what was seen. `value` is where it stands at the last row, `per_day` its slope, with 95 % limits.

    `reaches`, `earliest`, `latest` are epoch seconds at which the line, its steeper and its flatter end reach a limit; None
    where there is no date, and `reason` says why.
    """

    name: str
    unit: str
    rows: int
    value: float
    per_day: float
    low: float
    high: float
    reaches: int | None = None
    earliest: int | None = None
    latest: int | None = None
    reason: str = ""


def drift(
    name: str,
    unit: str,
    time_s: Floats,
    values: Floats,
    limit: float,
    *,
    target: float = 0.0,
    least: int = LEAST_ROWS,
) -> Drift | None:
    """Fit `values` over `time_s` [epoch s], rows with NaN left out; None with fewer rows than `least` (at least 3) or no time
    between them.

    The limits are `target` + and - `limit`. The standard error is widened by sqrt((1 + r)/(1 - r)) for the lag-one correlation
    r > 0 of the residuals (Bayley and Hammersley 1946, from memory): days that hang together tell less than they are.
    """
    good = np.isfinite(time_s) & np.isfinite(values)
    t, y = time_s[good], values[good]
    if len(t) < max(least, 3) or not np.ptp(t) > 0.0:
        return None
    last, days = float(t[-1]), (t - t[-1]) / DAY_S
    line = stats.linregress(days, y)
    slope, value = float(line.slope), float(line.intercept)
    rest = y - value - slope * days
    power = float(np.sum(rest**2))
    r = min(max(float(np.sum(rest[1:] * rest[:-1])) / power, 0.0), 0.95) if power > 0.0 else 0.0
    effective = max(len(t) * (1.0 - r) / (1.0 + r), 3.0)
    half = float(stats.t.ppf(0.5 + 0.5 * CONFIDENCE, effective - 2.0)) * float(line.stderr) * math.sqrt((1.0 + r) / (1.0 - r))
    half = half if math.isfinite(half) else 0.0  # values that do not move at all have no scatter
    low, high = slope - half, slope + half
    dates: dict[str, int | None] = {}
    reason = ""
    if low <= 0.0 <= high:
        reason = "no date: the slope is not significant"
    elif abs(value - target) >= limit:
        reason = "no date: it is beyond its limit already"
    else:
        room = target + math.copysign(limit, slope) - value
        steep, flat = sorted((low, high), key=abs, reverse=True)
        dates = {
            key: int(last + room / rate * DAY_S) for key, rate in (("reaches", slope), ("earliest", steep), ("latest", flat))
        }
    return Drift(
        name=name, unit=unit, rows=len(t), value=value, per_day=slope, low=low, high=high, reason=reason, **dates
    )  # fmt: skip


def unit_chain(gauge_unit: str, low: float, high: float, plc_unit: str, total_unit: str) -> str:
    """The units of a loop on one line, from the gauge to the total; `low` and `high` are the flow at 4 and 20 mA [t/h]."""
    return f"gauge {gauge_unit} -> 4..20 mA = {low:g}..{high:g} t/h -> PLC {plc_unit} -> total {total_unit}"
