"""What a loop check says of a link, in the terms of IEC 61298-2: inaccuracy, hysteresis, non-linearity, non-repeatability.

All in % of span. The definitions are from memory of IEC 61298-2 and its glossary (second-hand): inaccuracy is the largest
deviation either way, hysteresis the largest difference between the ways down and up, non-linearity the largest deviation of the
average curve from a straight line (through both ends, through the lower end, or lying as near as can be), non-repeatability the
largest spread at a point from the same direction, for which three cycles are needed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

Floats = NDArray[np.float64]
CYCLES = 3
"""Cycles from which a spread can be told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Performance:
    """Figures of one link [% of span]; None where the points do not tell."""

    lowest: float
    highest: float
    hysteresis: float | None
    terminal: float | None
    zero_based: float | None
    independent: float | None
    repeatability: float | None

    @property
    def inaccuracy(self) -> float:
        """The larger of both deviations."""
        return max(abs(self.lowest), abs(self.highest))


def performance(
    target: Sequence[float], error: Sequence[float], up: Sequence[bool], cycle: Sequence[int]
) -> Performance | None:
    """Figures of one link from its points.

    Parameters
    ----------
    target, error : sequence of float, shape (n,)
        Where the point lies and its error [% of span].
    up : sequence of bool, shape (n,)
        Whether it was reached from below.
    cycle : sequence of int, shape (n,)
        Which walk through the range it belongs to.

    Returns
    -------
    Performance or None
        None where there is no point.
    """
    if not len(target):
        return None
    x, e = np.asarray(target, np.float64), np.asarray(error, np.float64)
    way, walk = np.asarray(up, np.bool_), np.asarray(cycle, np.int64)
    places = np.unique(x)
    means = {side: np.array([_mean(e[(x == place) & (way == side)]) for place in places]) for side in (True, False)}
    both = np.isfinite(means[True]) & np.isfinite(means[False])
    gaps = np.abs(means[False] - means[True])[both]
    average = np.nanmean(np.stack([means[True], means[False]]), axis=0)
    linear = len(places) >= 3
    return Performance(
        lowest=float(e.min()),
        highest=float(e.max()),
        hysteresis=float(gaps.max()) if len(gaps) else None,
        terminal=_terminal(places, average) if linear else None,
        zero_based=_nearest_line(places, average, through_first=True) if linear else None,
        independent=_nearest_line(places, average, through_first=False) if linear else None,
        repeatability=_spread(x, e, way) if len(np.unique(walk)) >= CYCLES else None,
    )


def _mean(values: Floats) -> float:
    return float(values.mean()) if len(values) else np.nan


def _terminal(x: Floats, y: Floats) -> float:
    line = y[0] + (y[-1] - y[0]) * (x - x[0]) / (x[-1] - x[0])
    return float(np.abs(y - line).max())


def _nearest_line(x: Floats, y: Floats, *, through_first: bool) -> float:
    """Least largest deviation from a line, by linear programming over offset, slope and that deviation."""
    ones, at = np.ones_like(x), x - x[0]
    above = np.stack([ones, at, -ones], axis=1)
    below = np.stack([-ones, -at, -ones], axis=1)
    fixed = (float(y[0]), float(y[0])) if through_first else (None, None)
    found = linprog(
        [0.0, 0.0, 1.0], A_ub=np.concatenate([above, below]), b_ub=np.concatenate([y, -y]),
        bounds=[fixed, (None, None), (0.0, None)],
    )  # fmt: skip
    assert found.x is not None
    return float(found.x[2])


def _spread(x: Floats, e: Floats, up: NDArray[np.bool_]) -> float:
    widths = [
        np.ptp(e[(x == place) & (up == side)])
        for place in np.unique(x)
        for side in (True, False)
        if ((x == place) & (up == side)).any()
    ]
    return float(max(widths))
