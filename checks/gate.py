"""What data are still needed before a difference can be named."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.lines import Line
from checks.pivot import fieller

Floats = NDArray[np.float64]

WIDEST_MA = 4.0
"""A pivot known less well than this names nothing."""
FAR = 0.25
"""The same for a pivot far outside the range, as a part of its distance from mid-range."""
TRIED_MINUTES = (2, 3, 5, 8, 10, 15, 20, 30, 45, 60, 90, 120, 180, 240)


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """Minutes still needed at loads `below` (else above) a level [t/h]; 0 minutes: the gate is met."""

    minutes: float
    level: float
    below: bool

    def sentence(self) -> str:
        """The need in words."""
        side = "below" if self.below else "above"
        return f"need {self.minutes:.0f} more minutes {side} {self.level:.0f} t/h to name the cause"


MET = Need(minutes=0.0, level=0.0, below=True)


def is_met(line: Line, offset: float, gain: float, covariance: Floats, mean: float) -> bool:
    """Whether the pivot is known to 4 mA, or the line is shown to be parallel to identity with an offset that matters."""
    pivot = fieller(offset, gain, covariance)
    far = abs(line.ma(pivot.at) - 12.0) if pivot.bounded else 0.0
    if pivot.bounded and (pivot.high - pivot.low) * 16.0 / line.span < max(WIDEST_MA, FAR * far):
        return True
    se = float(np.sqrt(covariance[1, 1]))
    deviation = abs(offset + gain * mean)
    return abs(gain) < 2.0 * se and 3.0 * se < deviation / line.span


def can_improve(line: Line, statistical: Floats, systematic: Floats) -> bool:
    """Whether more data would tell more: at an end of the range the scatter still counts beside what no data can tell."""
    to_ends = np.array([[1.0, line.low], [1.0, line.high]])
    by_chance = np.diag(to_ends @ statistical @ to_ends.T)
    return bool((by_chance > np.diag(to_ends @ systematic @ to_ends.T)).any())


def still_needed(
    line: Line, *, deviation: float, mean: float, information: Floats, floor: Floats, sigma: float, rho: float, length_s: int
) -> Need:
    """Minutes at another load after which `is_met` should hold, taking the difference for one of the upper range.

    `information` is the inverse of the statistical covariance of (offset, gain - 1), `floor` the systematic covariance,
    `sigma` and `rho` the noise of a row of `length_s` seconds, `deviation` that at the mean flow `mean` [t/h].
    """
    away = mean - line.low
    below = away > 0.45 * line.span
    level = line.low + 0.35 * away if below else mean + 0.5 * (line.high - mean)
    step = 10.0 if line.span >= 100.0 else 1.0
    level = max(round(level / step) * step, step)
    at = 0.5 * (line.low + level) if below else 0.5 * (level + line.high)
    gain = deviation / away if abs(away) > 0.02 * line.span else deviation / line.span
    offset = deviation - gain * mean
    row = np.array([[1.0, at], [at, at * at]]) / max(sigma, 1e-6) ** 2
    per_minute = 60.0 / length_s * (1.0 - rho) / (1.0 + rho)
    for minutes in TRIED_MINUTES:
        projected = np.linalg.inv(information + minutes * per_minute * row) + floor
        if is_met(line, offset, gain, projected, mean):
            return Need(minutes=float(minutes), level=level, below=below)
    return Need(minutes=float(TRIED_MINUTES[-1]), level=level, below=below)
