"""From readings to samples: one row a UTC second, closed once and never changed afterwards."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from checks.samples import BAD, FLAG_CLOCK_STEP, GOOD, Samples, empty
from collector.columns import Columns, Roles
from collector.reading import Reading
from collector.rows import Column, Row
from config.model import Loop, RecordedTag, Site
from config.roles import ROLES, Kind

T = TypeVar("T", bound=np.generic)

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


class SkewEstimate:
    """Source clock against ours from readings: the largest of the recent differences, for only fresh values show the clock.

    A source time is when a value last changed, so any difference may be too low by the age of the value; it is never too
    high by more than the way home. The estimate is therefore the maximum over the last `SKEW_MEMORY` readings [s].
    """

    def __init__(self) -> None:
        self._taken = 0
        self._falling: deque[tuple[int, float]] = deque()
        """Number and difference of those readings that no later one exceeds, oldest first."""

    def take(self, difference_s: float, readings: int = 1) -> float:
        """Take source time - receive time of one reading, or of some alike [s]; returns the estimate with it."""
        falling = self._falling
        while falling and falling[-1][1] <= difference_s:
            falling.pop()
        self._taken += readings
        falling.append((self._taken - 1, difference_s))
        while falling[0][0] < self._taken - SKEW_MEMORY:
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
            role: Column(hold_s=hold_s(loop, role, site), endpoint=getattr(tag, "endpoint", ""))
            for role, tag in loop.tags.items()
        }
        self._roles = Roles(list(self._columns))
        self._rows: dict[tuple[str, ...], Row] = {}
        self._row_of: dict[str, Row] = {}
        self._alone = list(self._columns.values())
        self._order: NDArray[np.intp] | None = None
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
        columns, rows = self._columns, self._row_of
        for reading in readings:
            column = columns.get(reading.role) if reading.loop == self.loop_id else None
            if column is None:
                continue
            row = rows.get(reading.role)
            if row is not None:
                row.part()
            _, _, value, quality, time, source, _, _ = reading
            if source is not None and math.isfinite(source):
                time = self._grid_time(time, source, column)
            self._take_one(column, time, value, quality)

    def _take_one(self, column: Column, time: float, value: float, quality: int) -> None:
        if self._next is not None and time < self._next:
            self.late += 1
        elif quality != BAD and math.isfinite(value):
            column.add((time, value, quality))
        else:
            column.add((time, math.nan, BAD))

    def take_row(
        self,
        roles: tuple[str, ...],
        values: Sequence[float],
        quality: Sequence[int] | None,
        received: float,
        sources: Sequence[float | None] | None = None,
    ) -> None:
        """Take readings of roles of this loop that one request brought; without `quality` all are good and finite."""
        row = self._rows.get(roles)
        if row is None:
            row = self._new_row(roles)
        times = received if sources is None else self._grid_times(row, received, sources)
        if self._next is None or (times if isinstance(times, float) else min(times)) >= self._next:
            row.take(times, values, quality)
            return
        row.part()
        each = [times] * len(roles) if isinstance(times, float) else times
        codes = [GOOD] * len(roles) if quality is None else quality
        for column, time, value, code in zip(row.columns, each, values, codes, strict=True):
            self._take_one(column, time, value, code)

    def _new_row(self, roles: tuple[str, ...]) -> Row:
        """Keep these roles together; rows that had one of them are given up."""
        for old in {id(row): row for role in roles if (row := self._row_of.get(role)) is not None}.values():
            old.part()
            self._rows = {names: row for names, row in self._rows.items() if row is not old}
        row = self._rows[roles] = Row([self._columns[role] for role in roles])
        row.join()
        self._row_of = {role: row for names, row in self._rows.items() for role in names}
        self._alone = [column for role, column in self._columns.items() if role not in self._row_of]
        order = [role for names in self._rows for role in names] + [role for role in self._columns if role not in self._row_of]
        place = {role: number for number, role in enumerate(order)}
        self._order = np.array([place[role] for role in self._columns], np.intp)
        return row

    def flag_step(self, wall: float, step_s: float) -> None:
        """Mark the seconds that a step of the wall clock to `wall` by `step_s` touches, on both sides of it."""
        low, high = sorted((wall - step_s, wall))
        self._flagged.append((math.floor(low), math.floor(high)))

    def close_until(self, now_wall: float) -> Samples:
        """The seconds that are closed by now and were not returned before, in order; no rows where there are none."""
        last = math.floor(now_wall - self._close_after) - 1
        if not self._started:
            waiting = [item[0] for column in self._columns.values() for item in column.waiting]
            waiting += [row.first_s for row in self._rows.values() if row.first_s is not None]
            earliest = min(waiting, default=None)
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
        for row in self._rows.values():
            row.fill(first, rows, values, quality, flags)
        for column in self._alone:
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
            values=Columns(self._roles, self._ordered(np.array(values, np.float64).reshape(shape))),
            quality=Columns(self._roles, self._ordered(np.array(quality, np.uint8).reshape(shape))),
            flags=flagged,
        )

    def _ordered(self, matrix: NDArray[T]) -> NDArray[T]:
        """The rows of a matrix in the order of the roles."""
        return matrix if self._order is None else matrix[self._order]

    def _grid_time(self, received: float, source: float, column: Column) -> float:
        return _chosen(received, source, column, self._skew_of(column).take(source - received))

    def _skew_of(self, column: Column) -> SkewEstimate:
        skew = self._skew.get(column.endpoint)
        if skew is None:
            skew = self._skew[column.endpoint] = SkewEstimate()
        return skew

    def _grid_times(self, row: Row, received: float, sources: Sequence[float | None]) -> float | Sequence[float]:
        """The times of readings of one row: one for all where they have one source time."""
        source = sources[0]
        if source is not None and math.isfinite(source) and sources.count(source) == len(sources):
            ahead = self._skew_of(row.columns[0]).take(source - received, len(sources))
            newer = row.newer_source(source)
            if newer is None:
                return [_chosen(received, source, column, ahead) for column in row.columns]
            if not newer or abs(ahead) >= CLOCK_SKEW_LIMIT_S:
                return received
            holds = row.all_hold(received - source)
            if holds is None:
                return [received if received - source > column.hold_s else source for column in row.columns]
            return source if holds else received
        row.ask_columns()
        return [
            received if one is None or not math.isfinite(one) else self._grid_time(received, one, column)
            for one, column in zip(sources, row.columns, strict=True)
        ]


def _chosen(received: float, source: float, column: Column, ahead: float) -> float:
    """The time of a reading on the grid, by its own and by how far the clock of its endpoint is ahead."""
    if source <= column.source_time:
        return received
    column.source_time = source
    return received if abs(ahead) >= CLOCK_SKEW_LIMIT_S or received - source > column.hold_s else source
