"""Counters and clocks of the devices: what their jumps say of restarts and of clocks that were set.

Only changes of a value are looked at, so that a slow poll whose value is held in between says nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.changing import changed

Floats = NDArray[np.float64]

CLOCK_STEP_S = 5.0
"""A clock that moved by more than this against ours was set [s]; polls are late by less."""
LEAST_COUNT = 100.0
"""Below this a heartbeat may be a toggle or a short counter, whose falls say nothing."""
SLACK = 20.0
"""A heartbeat that gains this many times what it gained before has jumped."""
ROUND = np.unique(
    np.concatenate([2.0 ** np.arange(7, 54), 10.0 ** np.arange(2, 16), [3600.0, 86400.0], 1000.0 * 2.0 ** np.arange(7)])
)
"""Values at which counters start again from zero."""


@dataclass(frozen=True, slots=True)
class Jump:
    """A row at which a value jumped, with what it was before and after."""

    row: int
    old: float
    new: float


@dataclass(slots=True)
class Heartbeat:
    """Finds restarts of a controller in its heartbeat counter; chunks do not matter.

    A counter that falls without having reached a value at which counters start again, or gains far more than the time
    allows, was not counted on: the controller restarted or another one took over. A toggle or a counter below 100 says
    nothing.
    """

    _time: float = np.nan
    _value: float = np.nan
    _rate: float = np.nan

    def push(self, time_s: NDArray[np.int64], values: Floats) -> list[Jump]:
        """Jumps in these samples, shape (n,) each; NaN is no reading."""
        rows = changed(values, self._value)
        if not len(rows):
            return []
        times = np.concatenate([[self._time], time_s[rows].astype(np.float64)])
        counts = np.concatenate([[self._value], values[rows]])
        gained, seconds = np.diff(counts), np.diff(times)
        rates = gained / seconds
        before = np.concatenate([[self._rate], rates[:-1]])
        reach = SLACK * (1.0 + before * seconds)
        found = np.flatnonzero((before > 0.0) & ((gained < 0.0) | (gained > reach)))
        jumps = [
            Jump(int(rows[at]), float(counts[at]), float(counts[at + 1]))
            for at in found
            if gained[at] > 0.0 or self._fell(float(counts[at]), float(reach[at]))
        ]
        self._time, self._value, self._rate = float(times[-1]), float(counts[-1]), float(rates[-1])
        return jumps

    @staticmethod
    def _fell(value: float, reach: float) -> bool:
        """Whether a fall from this value is none of a counter that started again."""
        return value >= LEAST_COUNT and not bool(((value < ROUND) & (value + reach >= ROUND)).any())


@dataclass(slots=True)
class DeviceClock:
    """Finds steps of the clock of a device against ours; chunks do not matter.

    Values at or below zero are no time. Where our own clock stepped (`own_step`), nothing is said of the device.
    """

    _value: float = np.nan
    _offset: float = np.nan
    _own: bool = False

    def push(self, time_s: NDArray[np.int64], values: Floats, own_step: NDArray[np.bool_]) -> list[Jump]:
        """Steps in these samples: offset of the device's clock to ours before and after [s]."""
        read = np.where(values > 0.0, values, np.nan)
        rows = changed(read, self._value)
        if not len(rows):
            self._own |= bool(own_step.any())
            return []
        stepped = np.concatenate([[self._own], own_step]).cumsum()
        offsets = np.concatenate([[self._offset], read[rows] - time_s[rows]])
        if np.isnan(self._value):
            offsets[1] = np.nan  # the first value may have been held for a while
        own = np.diff(np.concatenate([[0], stepped[rows + 1]])) > 0
        with np.errstate(invalid="ignore"):
            found = np.flatnonzero((np.abs(np.diff(offsets)) > CLOCK_STEP_S) & ~own)
        jumps = [Jump(int(rows[at]), float(offsets[at]), float(offsets[at + 1])) for at in found]
        self._value, self._offset = float(read[rows[-1]]), float(offsets[-1])
        self._own = bool(stepped[-1] > stepped[rows[-1] + 1])
        return jumps
