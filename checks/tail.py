"""The newest seconds of a loop: levels, and how long something has stood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.window import Window

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A condition that holds up to now: for how long [s], since when, and whether it reaches back to the first sample."""

    seconds: int
    begin: int
    whole: bool

    @property
    def interval(self) -> tuple[int, int]:
        """When it began, as an interval."""
        return (self.begin if self.whole else self.begin - 1, self.begin)


NEVER = Standing(seconds=0, begin=0, whole=False)


class Tail:
    """Reads the end of the samples of a window."""

    def __init__(self, window: Window) -> None:
        self.window = window
        self.samples = window.samples
        self.step = window.samples.step_s
        self.time_s = window.samples.time_s

    def has(self, role: str) -> bool:
        """Whether the loop has the role at all."""
        return role in self.samples.values

    def column(self, role: str) -> Floats:
        """All samples of a role, NaN where it is missing."""
        return self.samples.column(role)

    def last(self, role: str, seconds: int) -> Floats:
        """Good values of the last seconds, shape (n,), n may be 0."""
        values = self.column(role)[-max(1, seconds // self.step) :]
        return values[np.isfinite(values)]

    def standing(self, condition: Bools) -> Standing:
        """How long a condition (one value a sample) has held up to the newest sample."""
        count = len(condition)
        if count == 0 or not condition[-1]:
            return NEVER
        breaks = np.flatnonzero(~condition)
        first = int(breaks[-1]) + 1 if len(breaks) else 0
        end = self.window.end_s
        return Standing(seconds=int(end - self.time_s[first]), begin=int(self.time_s[first]), whole=first == 0)

    def bit(self, role: str) -> Standing:
        """How long a bit has been on."""
        values = self.column(role)
        return self.standing(values > 0.5) if len(values) and values[-1] > 0.5 else NEVER

    def away(self, role: str) -> Standing:
        """How long a role has been another number than zero."""
        values = self.column(role)
        if not len(values) or not (np.isfinite(values[-1]) and values[-1] != 0.0):
            return NEVER
        return self.standing(np.nan_to_num(values, nan=0.0) != 0.0)

    def still(self, role: str, band: float = 0.0) -> Standing:
        """How long a role has kept within `band` of its newest value; nothing where the newest is missing."""
        values = self.column(role)
        if len(values) == 0 or not np.isfinite(values[-1]):
            return NEVER
        with np.errstate(invalid="ignore"):
            return self.standing(np.abs(values - values[-1]) <= band)

    def swing(self, role: str, since: int, but_last_s: float = 0.0) -> float:
        """Largest less least value of a role since a moment, but for the last seconds; NaN where there is none."""
        until = int(np.searchsorted(self.time_s, self.window.end_s - but_last_s))
        values = self.column(role)[int(np.searchsorted(self.time_s, since)) : until]
        values = values[np.isfinite(values)]
        return float(np.ptp(values)) if len(values) else float("nan")
