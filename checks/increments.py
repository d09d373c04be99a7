"""What a totalizer gained: rollover, reset and one-poll transients told apart from real tonnes."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from config.model import Totalizer

Floats = NDArray[np.float64]

DECIDE_AFTER = 5
"""Samples that a total must stay on its new line before a jump is believed."""
WILD = 72.0
"""A rise of more than this many times full range is a jump, not mass: 1.2 times full range, counted in minutes for hours.
A total that counts twice, or sixty times, is wrong mass and stays below it; that is for the check of the totals to say."""
SLOW = 3.0
"""The same for a total that is brought up to date seldom: times full range since it last moved, or over a gap."""
QUIET_S = 120
"""Longest time between two updates of a total that is read on time [s]."""
BACKWARD = 1.0
"""Times full range at which a signed total may run back, and a digit with it."""
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
    _moved: int = 0
    _waiting: list[tuple[int, float]] = field(default_factory=list)

    def push(self, time_s: NDArray[np.int64], values: Floats) -> tuple[Floats, list[Jump]]:
        """Tonnes gained at each sample, shape (n,), NaN where there is no reading, and the jumps that were decided.

        `time_s` in epoch seconds, `values` [t]. What is not yet decided is no reading, and is added where it is decided.
        """
        gained = np.where(np.isfinite(values), 0.0, np.nan)
        jumps: list[Jump] = []
        good = np.flatnonzero(np.isfinite(values))
        if not len(good):
            return gained, jumps
        if self._value is None:
            self._value, self._time, self._moved = float(values[good[0]]), int(time_s[good[0]]), int(time_s[good[0]])
            good = good[1:]
        if len(good) and not self._waiting and self._plain(time_s[good], values[good]):
            before = np.concatenate([[self._value], values[good[:-1]]])
            steps = values[good] - before
            gained[good] = steps
            moved = np.flatnonzero(steps != 0.0)
            self._value, self._time = float(values[good[-1]]), int(time_s[good[-1]])
            self._moved = int(time_s[good[moved[-1]]]) if len(moved) else self._moved
            return gained, jumps
        for row in good:
            gained[row], jump = self._step(int(time_s[row]), float(values[row]))
            if jump is not None:
                jumps.append(jump)
        return gained, jumps

    def _most(self, seconds: int, since_moved_s: int) -> float:
        """Largest step [t] that is taken for mass, by the time since the reading before and since the total last moved."""
        hours = max(WILD * min(seconds, 60), SLOW * max(seconds, min(since_moved_s, QUIET_S))) / 3600.0
        return hours * self.full_range_t_h + 2.0 * self.totalizer.resolution

    def _least(self, seconds: int) -> float:
        """Largest step back [t] that is still mass: a signed total runs back slowly under a negative flow."""
        return -(BACKWARD * self.full_range_t_h * min(max(seconds, 0), 60) / 3600.0 + 1.5 * self.totalizer.resolution)

    def _plain(self, time_s: NDArray[np.int64], values: Floats) -> bool:
        """Whether every step is small enough to need no second look; larger ones are looked at one by one."""
        assert self._value is not None
        steps = np.diff(np.concatenate([[self._value], values]))
        return bool(np.all((steps >= self._least(1)) & (steps <= self._most(1, 1))))

    def _step(self, time_s: int, value: float) -> tuple[float, Jump | None]:
        assert self._value is not None
        step = value - self._value
        if self._least(time_s - self._time) <= step <= self._most(time_s - self._time, time_s - self._moved):
            jump = Jump(time_s, "total-transient", self._value, self._waiting[0][1]) if self._waiting else None
            self._waiting.clear()
            self._value, self._time = value, time_s
            self._moved = time_s if step != 0.0 else self._moved
            return step, jump
        self._waiting.append((time_s, value))
        first = self._waiting[0][1]
        line_time, line = self._waiting[-2] if len(self._waiting) > 1 else (time_s, value)
        if not self._least(time_s - line_time) <= value - line <= self._most(time_s - line_time, time_s - line_time):
            self._waiting = [(time_s, value)]
            return math.nan, None
        if len(self._waiting) < DECIDE_AFTER:
            return math.nan, None
        old, end = self._value, self.totalizer.rollover
        rolled = end is not None and old > (1.0 - ROLLOVER_BAND) * end and value < ROLLOVER_BAND * end
        self._waiting.clear()
        self._value, self._time, self._moved = value, time_s, time_s
        if rolled:
            assert end is not None
            return end - old + value, Jump(time_s, "total-rollover", old, first)
        return value - first, Jump(time_s, "total-reset", old, first)
