"""What the plant does: feed, belt and product as functions of time alone, so that any stretch can be made at any moment."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
SYLVITE, ROCK_SALT = 1.0, 2.0


@dataclass(frozen=True, slots=True)
class Plan:
    """Orders of the control room, one a second: feed [t/h], belt on, part of the nominal speed, product code."""

    feed: Floats
    running: Floats
    speed_part: Floats
    product: Floats


class Scenario(Protocol):
    """A plan for any time."""

    def plan(self, time_s: NDArray[np.int64]) -> Plan:
        """The orders at these seconds (epoch, UTC)."""
        ...


Segment = tuple[int, float, bool, float]
"""Length [s], feed [t/h], belt on, part of the nominal speed."""


def _spread(segments: list[Segment], length: int) -> Floats:
    rows = np.repeat(
        np.array([[feed, float(running), part] for _, feed, running, part in segments]),
        [seconds for seconds, *_ in segments],
        axis=0,
    )
    assert len(rows) == length, "segments fill their cell"
    return rows


class _Cells:
    """A scenario made of cells of equal length, each drawn from its own seed."""

    length = 600

    def cell(self, number: int) -> Floats:
        raise NotImplementedError

    def product(self, time_s: NDArray[np.int64]) -> Floats:
        return np.full(len(time_s), SYLVITE)

    def plan(self, time_s: NDArray[np.int64]) -> Plan:
        rows = np.empty((len(time_s), 3))
        numbers = time_s // self.length
        edges = [0, *(np.flatnonzero(np.diff(numbers)) + 1).tolist(), len(numbers)]
        for first, last in itertools.pairwise(edges if len(numbers) else []):
            here = slice(first, last)
            rows[here] = self.cell(int(numbers[first]))[time_s[here] % self.length]
        return Plan(rows[:, 0], rows[:, 1], rows[:, 2], self.product(time_s))


class Swings(_Cells):
    """The demo: every ten minutes the belt runs empty for about two, then 60 to 320 t/h, mostly about 260.

    One cell in twelve ends with a stop of the empty belt, one in thirty-six with a stop under load. With `varies_speed`
    the belt runs slower where little is fed.
    """

    def __init__(self, seed: int, *, scale: float = 1.0, varies_speed: bool = False) -> None:
        self._seed, self._scale, self._varies = seed, scale, varies_speed
        self._cached = lru_cache(maxsize=256)(self._draw)

    def cell(self, number: int) -> Floats:
        return self._cached(number)

    def _draw(self, number: int) -> Floats:
        rng = np.random.default_rng([self._seed, number])
        levels = [
            (100, rng.uniform(60.0, 130.0)),
            (170, np.clip(rng.normal(260.0, 12.0), 230.0, 290.0)),
            (90, rng.uniform(285.0, 320.0)),
            (120, rng.uniform(130.0, 250.0)),
        ]
        order = rng.permutation(4)
        loaded: list[Segment] = [(levels[k][0], levels[k][1] * self._scale, True, self._speed(levels[k][1])) for k in order]
        kind = rng.integers(36)
        empty: Segment = (120, 0.0, True, self._speed(200.0))
        if kind == 0:
            feed, part = loaded[-1][1], loaded[-1][3]
            rest = loaded[-1][0]
            loaded[-1] = (rest - 60, feed, True, part)
            loaded.append((60, feed, False, part))
        elif kind <= 3:
            rest = loaded[-1][0]
            loaded[-1] = (rest - 90, *loaded[-1][1:]) if rest > 90 else (0, *loaded[-1][1:])
            loaded += [(40, 0.0, True, 1.0), (50, 0.0, False, 1.0)]
        return _spread([empty, *loaded], self.length)

    def _speed(self, feed: float) -> float:
        return float(np.clip(0.55 + 0.45 * feed / 320.0, 0.6, 1.0)) if self._varies else 1.0


class Shifts(_Cells):
    """An ordinary day, hour by hour (UTC): 15 h of load about 260 t/h, 5 h empty running, 4 h standing.

    Every loaded hour has an empty quarter; `spread` is the standard deviation of the levels [t/h].
    """

    length = 3600

    def __init__(self, seed: int, *, typical: float = 260.0, spread: float = 35.0) -> None:
        self._seed, self._typical, self._level_sd = seed, typical, spread
        self._cached = lru_cache(maxsize=256)(self._draw)

    def cell(self, number: int) -> Floats:
        return self._cached(number)

    def _draw(self, number: int) -> Floats:
        hour = number % 24
        if 2 <= hour < 6:
            return _spread([(3600, 0.0, False, 1.0)], self.length)
        if hour >= 21 or hour < 2:
            return _spread([(3600, 0.0, True, 1.0)], self.length)
        rng = np.random.default_rng([self._seed, number])
        levels = np.clip(rng.normal(self._typical, self._level_sd, 10), 40.0, 400.0)
        return _spread([(600, 0.0, True, 1.0), *((300, float(level), True, 1.0) for level in levels)], self.length)


class Steady:
    """The same feed [t/h] for ever, the belt on or off."""

    def __init__(self, feed: float, *, running: bool = True) -> None:
        self._feed, self._running = feed, float(running)

    def plan(self, time_s: NDArray[np.int64]) -> Plan:
        ones = np.ones(len(time_s))
        return Plan(ones * self._feed, ones * self._running, ones, ones * SYLVITE)
