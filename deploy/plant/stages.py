"""Stages with memory: filters, delays, holds and sums that give the same stream however it is cut into chunks."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]
Bits = NDArray[np.bool_]


class Damping:
    """First-order lag of time constant `tau` [s] on 1 s steps; starts on its first input. `tau` may change on the way."""

    def __init__(self, start: float | None = None) -> None:
        self.level = start

    def __call__(self, x: Floats, tau: float) -> Floats:
        if len(x) == 0:
            return x
        if self.level is None:
            self.level = float(x[0])
        if tau <= 0.0:
            self.level = float(x[-1])
            return x
        gain = -math.expm1(-1.0 / tau)
        keep = 1.0 - gain
        y, _ = lfilter([gain], [1.0, -keep], x, zi=[keep * self.level])
        self.level = float(y[-1])
        out: Floats = y
        return out


class Delay:
    """Whole seconds of delay; before there is a past, the first input stands for it. `seconds` may change on the way."""

    def __init__(self, longest: int = 120) -> None:
        self._longest = longest
        self._past: Floats | None = None

    def __call__(self, x: Floats, seconds: int) -> Floats:
        if len(x) == 0:
            return x
        if self._past is None:
            self._past = np.full(self._longest, x[0])
        line = np.concatenate([self._past, x])
        self._past = line[-self._longest :].copy()
        start = self._longest - seconds
        return line[start : start + len(x)]


class Average:
    """Mean of the last `seconds` whole seconds; 0 gives the input. `seconds` may change on the way."""

    LONGEST = 600

    def __init__(self) -> None:
        self._past: Floats | None = None

    def __call__(self, x: Floats, seconds: int) -> Floats:
        if len(x) == 0:
            return x
        if self._past is None:
            self._past = np.full(self.LONGEST, x[0])
        line = np.concatenate([self._past, x])
        self._past = line[-self.LONGEST :].copy()
        if seconds <= 1:
            return x
        windows = np.lib.stride_tricks.sliding_window_view(line, seconds)[-len(x) :]
        out: Floats = windows.mean(axis=1)
        return out


class Hold:
    """Keeps the last value that came while it was not held."""

    def __init__(self, start: float = 0.0) -> None:
        self.value = start
        self._seen = False

    def where(self, x: Floats, free: Bits) -> Floats:
        """`x` where `free`, else the last value before."""
        if len(x) == 0:
            return x
        if free.all():
            self.value, self._seen = float(x[-1]), True
            return x
        if not self._seen and not free[0]:
            self.value, self._seen = float(x[0]), True
        index = np.where(free, np.arange(len(x)), -1)
        np.maximum.accumulate(index, out=index)
        held = np.where(index >= 0, x[np.maximum(index, 0)], self.value)
        if index[-1] >= 0:
            self.value, self._seen = float(x[index[-1]]), True
        return held

    def __call__(self, x: Floats, held: bool) -> Floats:
        return self.where(x, np.full(len(x), not held))


class Totalizer:
    """Adds signed steps [t]: a negative flow runs it back; it is shown in whole digits and rolls over."""

    def __init__(self, start: float) -> None:
        self.sum = start

    def reset(self, to: float = 0.0) -> None:
        """Lose the total, as after a download or a power dip."""
        self.sum = to

    def __call__(self, step: Floats, resolution: float, rollover: float, single: bool = False) -> Floats:
        if len(step) == 0:
            return step
        if single:
            small = np.repeat(step / 10.0, 10).astype(np.float32)
            line = np.cumsum(np.concatenate([np.full(1, self.sum, np.float32), small]), dtype=np.float32)[10::10].astype(
                np.float64
            )
        else:
            line = np.cumsum(np.concatenate([[self.sum], step]))[1:]
        self.sum = float(line[-1])
        return shown(line, resolution, rollover)


def shown(total: Floats, resolution: float, rollover: float) -> Floats:
    """A total [t] as a counter shows it."""
    digits: Floats = np.floor(total / resolution + 1e-9) * resolution
    return np.round(digits % rollover, 6)


class Position:
    """Way of the belt [m]: the integral of its speed."""

    def __init__(self) -> None:
        self.way = 0.0

    def __call__(self, speed: Floats) -> Floats:
        if len(speed) == 0:
            return speed
        line = np.cumsum(np.concatenate([[self.way], speed]))[1:]
        self.way = float(line[-1])
        out: Floats = line
        return out
