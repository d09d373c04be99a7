"""The last seconds and minutes of a window, as checks look at them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.blocks import Blocks
from checks.window import Window

Floats = NDArray[np.float64]


def tail(window: Window, role: str, seconds: float) -> Floats:
    """Samples of a role over the last `seconds` [s] that are there, NaN where there was no reading."""
    samples = window.samples
    if role not in samples.values:
        return np.full(len(samples) - first_row(samples.time_s, window.end_s - seconds), np.nan)
    return samples.values[role][first_row(samples.time_s, window.end_s - seconds) :]


def first_row(times_s: NDArray[np.int64], since_s: float) -> int:
    """First row that begins at a moment or later; the moment as an integer, or all times would be converted."""
    return int(np.searchsorted(times_s, math.ceil(since_s)))


def last_rows(window: Window, seconds: float) -> Blocks:
    """The blocks of the last `seconds` [s]."""
    return window.blocks[slice(_first_row(window, seconds), None)]


def running_share(window: Window, seconds: float) -> float:
    """Part of the last `seconds` [s] in which the belt ran; 0 where nothing is known."""
    return _share(window, seconds, ("loaded", "empty"))


def loaded_share(window: Window, seconds: float) -> float:
    """Part of the last `seconds` [s] in which the belt ran loaded."""
    return _share(window, seconds, ("loaded",))


def _first_row(window: Window, seconds: float) -> int:
    return first_row(window.blocks.start_s, window.end_s - seconds)


def _share(window: Window, seconds: float, states: tuple[str, ...]) -> float:
    """Asked many times at each block, so only the columns that are summed are cut."""
    first = _first_row(window, seconds)
    covered = float(window.blocks.covered_s[first:].sum())
    return sum(float(window.blocks.state(state)[first:].sum()) for state in states) / covered if covered else 0.0


@dataclass(frozen=True, slots=True)
class Means:
    """Means of two roles over steady rows, with what moved meanwhile; `rows` 0 where there is nothing to compare."""

    shown: float
    expected: float
    swing: float
    scatter: float
    steady: bool
    rows: int

    @property
    def deviation(self) -> float:
        """shown - expected."""
        return self.shown - self.expected


QUIET = ("stopped", "maintenance", "calibrating", "unsettled", "unknown", "explained")
STEADINESS = 0.35
"""A row that deviates less than this part of the largest one breaks the case for a fault."""


def compare_means(rows: Blocks, shown: Floats, expected: Floats, usable: NDArray[np.bool_] | None = None) -> Means:
    """Compare block means of two roles, shape (B,) each, over rows in which the belt runs settled."""
    good = np.isfinite(shown) & np.isfinite(expected)
    for state in QUIET:
        good &= rows.state(state) == 0.0
    if usable is not None:
        good &= usable
    if not good.any():
        return Means(np.nan, np.nan, np.nan, np.nan, False, 0)
    each = shown[good] - expected[good]
    toward = each * np.sign(each.mean())
    return Means(
        shown=float(shown[good].mean()),
        expected=float(expected[good].mean()),
        swing=float(np.ptp(expected[good])),
        scatter=float(each.std(ddof=1)) if len(each) > 1 else np.nan,
        steady=bool(toward.min() >= STEADINESS * toward.max()),
        rows=int(good.sum()),
    )
