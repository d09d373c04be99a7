"""From readings to samples: one row a UTC second, closed once and never changed afterwards."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from operator import itemgetter

import numpy as np

from checks.samples import BAD, FLAG_CLOCK_STEP, FLAG_HELD, Samples, empty
from collector.reading import Reading
from config.model import Loop, RecordedTag, Site
from config.roles import ROLES, Kind

CLOCK_SKEW_LIMIT_S = 2.0
"""Source time is used while the clock of the endpoint is this close to ours [s]."""
CLOCK_STEP_LIMIT_S = 0.5
"""A wall clock that moves this much against the monotonic one has stepped [s]."""
HOLD_PERIODS = 2.0
SETTING_HOLD_PERIODS = 10.0
SETTING_HOLD_S = 60.0
LONGEST_CATCH_UP_S = 600
"""A longer jump of the clock leaves a gap of seconds instead of rows that hold nothing."""
SKEW_MEMORY = 120
"""Readings with a source time that the skew estimate looks back on."""


def hold_s(loop: Loop, role: str, site: Site) -> float:
    """How long a reading of a role stands for the present [s]: two periods of its tag, a setting 10 periods or a minute."""
    period = tag_period_s(loop, role, site)
    if ROLES[role].kind is Kind.SETTING:
        return max(SETTING_HOLD_PERIODS * period, SETTING_HOLD_S)
    return max(HOLD_PERIODS * period, 1.0)


def tag_period_s(loop: Loop, role: str, site: Site) -> float:
    """The period at which a tag is read [s]: its own, else its endpoint's, else one second."""
    tag = loop.tags[role]
    if tag.period is not None:
        return tag.period
    if isinstance(tag, RecordedTag):
        return 1.0
    return site.endpoints[tag.endpoint].period


_Waiting = tuple[float, float, int]
"""Time on the grid [epoch s], value, quality."""
_time_of = itemgetter(0)


class ClockWatch:
    """Finds steps of the wall clock against the monotonic one; given both, it reads none."""

    def __init__(self) -> None:
        self._offset: float | None = None

    def observe(self, wall: float, monotonic: float) -> float | None:
        """The step since the last call [s], + = forward, None where there was none (slow drift is followed, not a step)."""
        offset = wall - monotonic
        before, self._offset = self._offset, offset
        if before is None or abs(offset - before) <= CLOCK_STEP_LIMIT_S:
            return None
        return offset - before


@dataclass(slots=True)
class _Column:
    """One role: what is held, what waits for its second to close, and the source time last seen."""

    hold_s: float
    endpoint: str
    held: _Waiting | None = None
    waiting: list[_Waiting] = field(default_factory=list)
    newest: float = -math.inf
    in_order: bool = True
    source_time: float = -math.inf

    def add(self, item: _Waiting) -> None:
        """Let a reading wait."""
        if item[0] < self.newest:
            self.in_order = False
        else:
            self.newest = item[0]
        self.waiting.append(item)

    def fill(self, first: int, rows: int, values: list[float], quality: list[int], flags: list[int]) -> None:
        """Add the values and qualities of seconds that follow each other, and flag those held from an earlier second."""
        waiting, held = self.waiting, self.held
        if not self.in_order:
            waiting.sort(key=_time_of)
            self.in_order = True
        position, many = 0, len(waiting)
        for row in range(rows):
            second = first + row
            fresh = False
            while position < many and waiting[position][0] < second + 1:
                item = waiting[position]
                if not (fresh and _bad_after_good_of_one_second(item, held)):
                    held = item
                fresh = True
                position += 1
            if held is not None and held[2] != BAD:
                time = held[0]
                if time >= second or second + 1 - time <= self.hold_s:
                    values.append(held[1])
                    quality.append(held[2])
                    if time < second:
                        flags[row] = FLAG_HELD
                    continue
            values.append(math.nan)
            quality.append(BAD)
        self.held = held
        if position:
            del waiting[:position]


class SkewEstimate:
    """Source clock against ours from readings: the largest of the recent differences, for only fresh values show the clock.

    A source time is when a value last changed, so any difference may be too low by the age of the value; it is never too
    high by more than the way home. The estimate is therefore the maximum over the last `SKEW_MEMORY` readings [s].
    """

    def __init__(self) -> None:
        self._taken = 0
        self._falling: deque[tuple[int, float]] = deque()
        """Number and difference of those readings that no later one exceeds, oldest first."""

    def take(self, difference_s: float) -> float:
        """Take source time - receive time of one reading [s]; returns the estimate with it."""
        falling = self._falling
        while falling and falling[-1][1] <= difference_s:
            falling.pop()
        falling.append((self._taken, difference_s))
        self._taken += 1
        if falling[0][0] < self._taken - SKEW_MEMORY:
            falling.popleft()
        return falling[0][1]

    @property
    def value_s(self) -> float | None:
        """The estimate [s], + = the source is ahead; None before the first reading with a source time."""
        return self._falling[0][1] if self._falling else None


class Aligner:
    """Puts the readings of one loop on the grid of UTC seconds.

    The sample of second s holds for each role the last reading with a time in or before that second, not older at the end of
    the second than the role's hold time (a reading inside the second always counts), never interpolated. A bad reading, or
    none, is NaN with quality 2; within one second a good reading stands before a bad one. The time of a reading is its source
    time while the endpoint's clock is within 2 s of ours, else its receive time; an unchanged source time (a value that was
    read again and had not changed) counts at the time it was received.

    A second is closed `site.close_after` seconds after its end. What comes later is counted in `late` and not used. A wall
    clock that goes back makes no second twice: nothing is closed until it has caught up.

    Parameters
    ----------
    site, loop_id
        The site in force and the loop.
    after : int or None
        Last second that history holds [epoch s]; this and earlier ones are never made again.
    """

    def __init__(self, site: Site, loop_id: str, *, after: int | None = None) -> None:
        loop = site.loops[loop_id]
        self.loop_id = loop_id
        self.late = 0
        self._close_after = site.close_after
        self._columns = {
            role: _Column(hold_s=hold_s(loop, role, site), endpoint=getattr(tag, "endpoint", ""))
            for role, tag in loop.tags.items()
        }
        self._skew: dict[str, SkewEstimate] = {}
        self._next = None if after is None else after + 1
        self._started = False
        self._flagged: list[tuple[int, int]] = []

    @property
    def skew_s(self) -> dict[str, float]:
        """Estimated clock skew of each endpoint that gives source times [s], + = ahead of ours."""
        return {name: value for name, skew in self._skew.items() if (value := skew.value_s) is not None}

    @property
    def next_s(self) -> int | None:
        """The second that is closed next [epoch s], None before the first reading."""
        return self._next

    def take(self, readings: Iterable[Reading]) -> None:
        """Take readings of this loop in any order; those of another loop or of an unknown role are left alone."""
        columns, after = self._columns, self._next
        for reading in readings:
            column = columns.get(reading.role) if reading.loop == self.loop_id else None
            if column is None:
                continue
            _, _, value, quality, time, source, _, _ = reading
            if source is not None and math.isfinite(source):
                time = self._grid_time(time, source, column)
            if after is not None and time < after:
                self.late += 1
            elif quality != BAD and math.isfinite(value):
                column.add((time, value, quality))
            else:
                column.add((time, math.nan, BAD))

    def flag_step(self, wall: float, step_s: float) -> None:
        """Mark the seconds that a step of the wall clock to `wall` by `step_s` touches, on both sides of it."""
        low, high = sorted((wall - step_s, wall))
        self._flagged.append((math.floor(low), math.floor(high)))

    def close_until(self, now_wall: float) -> Samples:
        """The seconds that are closed by now and were not returned before, in order; no rows where there are none."""
        last = math.floor(now_wall - self._close_after) - 1
        if not self._started:
            earliest = min((item[0] for column in self._columns.values() for item in column.waiting), default=None)
            if earliest is None:
                return empty(self.loop_id, list(self._columns))
            self._next = max(math.floor(earliest), -1 if self._next is None else self._next)
            self._started = True
        if self._next is None or last < self._next:
            return empty(self.loop_id, list(self._columns))
        first = max(self._next, last + 1 - LONGEST_CATCH_UP_S)
        rows = last + 1 - first
        seconds = np.arange(first, last + 1, dtype=np.int64)
        flags = [0] * rows
        values: list[float] = []
        quality: list[int] = []
        for column in self._columns.values():
            column.fill(first, rows, values, quality, flags)
        flagged = np.array(flags, np.uint8)
        if self._flagged:
            for low, high in self._flagged:
                flagged[(seconds >= low) & (seconds <= high)] |= FLAG_CLOCK_STEP
            self._flagged = [span for span in self._flagged if span[1] > last]
        self._next = last + 1
        shape = len(self._columns), rows
        return Samples(
            loop=self.loop_id,
            time_s=seconds,
            values=dict(zip(self._columns, np.array(values, np.float64).reshape(shape), strict=True)),
            quality=dict(zip(self._columns, np.array(quality, np.uint8).reshape(shape), strict=True)),
            flags=flagged,
        )

    def _grid_time(self, received: float, source: float, column: _Column) -> float:
        difference = source - received
        skew = self._skew.get(column.endpoint)
        if skew is None:
            skew = self._skew[column.endpoint] = SkewEstimate()
        ahead = skew.take(difference)
        if source <= column.source_time:
            return received
        column.source_time = source
        return received if abs(ahead) >= CLOCK_SKEW_LIMIT_S or -difference > column.hold_s else source


def _bad_after_good_of_one_second(item: _Waiting, held: _Waiting | None) -> bool:
    return held is not None and item[2] == BAD and held[2] != BAD and math.floor(item[0]) == math.floor(held[0])
