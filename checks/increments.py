"""What a totalizer gained: rollover, reset and one-poll transients told apart from real tonnes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from config.model import Totalizer

Floats = NDArray[np.float64]

DECIDE_AFTER = 5
"""Samples that a total must stay on its new line before a jump is believed."""
WILD = 20.0
"""A rise of more than this many times full range is a jump, not mass (a total that counts twice stays below it)."""
ROLLOVER_BAND = 0.1
"""A drop from the last tenth before the rollover into the first tenth behind it is a rollover."""


@dataclass(frozen=True, slots=True)
class Jump:
    """A break of a total at the sample where it was decided; `kind` is "total-reset", "total-rollover" or "total-transient"."""

    time_s: int
    kind: str
    old: float
    new: float


@dataclass(slots=True)
class Resolver:
    """Follows one total through any number of chunks; the chunks do not matter."""

    totalizer: Totalizer
    full_range_t_h: float
    _value: float | None = None
    _time: int = 0
    _waiting: list[tuple[int, float]] = field(default_factory=list)

    def push(self, time_s: NDArray[np.int64], values: Floats) -> tuple[Floats, list[Jump]]:
        """Tonnes gained at each sample, shape (n,), NaN where there is no reading, and the jumps that were decided.

        `time_s` in epoch seconds, `values` [t]. What is not yet decided counts 0 and is added where it is decided.
        """
        gained = np.where(np.isfinite(values), 0.0, np.nan)
        jumps: list[Jump] = []
        good = np.flatnonzero(np.isfinite(values))
        if not len(good):
            return gained, jumps
        if self._value is None:
            self._value, self._time = float(values[good[0]]), int(time_s[good[0]])
            good = good[1:]
        if len(good) and not self._waiting and self._plain(time_s[good], values[good]):
            before = np.concatenate([[self._value], values[good[:-1]]])
            gained[good] = values[good] - before
            self._value, self._time = float(values[good[-1]]), int(time_s[good[-1]])
            return gained, jumps
        for row in good:
            gained[row], jump = self._step(int(time_s[row]), float(values[row]))
            if jump is not None:
                jumps.append(jump)
        return gained, jumps

    def _most(self, seconds: int) -> float:
        return WILD * self.full_range_t_h * seconds / 3600.0 + 2.0 * self.totalizer.resolution

    def _plain(self, time_s: NDArray[np.int64], values: Floats) -> bool:
        assert self._value is not None
        steps = np.diff(np.concatenate([[self._value], values]))
        seconds = np.diff(np.concatenate([[self._time], time_s]))
        most = WILD * self.full_range_t_h * seconds / 3600.0 + 2.0 * self.totalizer.resolution
        return bool(np.all((steps >= -0.5 * self.totalizer.resolution) & (steps <= most)))

    def _step(self, time_s: int, value: float) -> tuple[float, Jump | None]:
        assert self._value is not None
        step = value - self._value
        if -0.5 * self.totalizer.resolution <= step <= self._most(time_s - self._time):
            jump = Jump(time_s, "total-transient", self._value, self._waiting[0][1]) if self._waiting else None
            self._waiting.clear()
            self._value, self._time = value, time_s
            return step, jump
        self._waiting.append((time_s, value))
        first_time, first = self._waiting[0]
        line = self._waiting[-2][1] if len(self._waiting) > 1 else value
        if not -0.5 * self.totalizer.resolution <= value - line <= self._most(time_s - first_time + 1):
            self._waiting = [(time_s, value)]
            return 0.0, None
        if len(self._waiting) < DECIDE_AFTER:
            return 0.0, None
        old, end = self._value, self.totalizer.rollover
        rolled = end is not None and old > (1.0 - ROLLOVER_BAND) * end and value < ROLLOVER_BAND * end
        self._waiting.clear()
        self._value, self._time = value, time_s
        if rolled:
            assert end is not None
            return end - old + value, Jump(time_s, "total-rollover", old, first)
        return value - first, Jump(time_s, "total-reset", old, first)
