"""Roles of a loop that one request reads: they wait and are held as one row, as long as nothing sets them apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import NamedTuple

from checks.samples import BAD, FLAG_HELD, GOOD

Waiting = tuple[float, float, int]
"""Time on the grid [epoch s], value, quality."""
_time_of = itemgetter(0)


@dataclass(slots=True)
class Column:
    """One role: what is held, what waits for its second to close, and the source time last seen."""

    hold_s: float
    endpoint: str
    held: Waiting | None = None
    waiting: list[Waiting] = field(default_factory=list)
    newest: float = -math.inf
    in_order: bool = True
    source_time: float = -math.inf

    def add(self, item: Waiting) -> None:
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


def _bad_after_good_of_one_second(item: Waiting, held: Waiting | None) -> bool:
    return held is not None and item[2] == BAD and held[2] != BAD and math.floor(item[0]) == math.floor(held[0])


class _Item(NamedTuple):
    """A row: the second in which all its times lie, the time of each role, or of all, what it brought, and until when all holds."""

    second: int
    times: float | Sequence[float]
    values: Sequence[float]
    quality: Sequence[int] | None
    holds_until: float


class Row:
    """The columns of roles that come together.

    While each row lies in one second and no row contradicts another of its second, they are kept as rows. What comes
    otherwise is given to the columns, one by one; they are joined again once what waits in them are rows.
    """

    def __init__(self, columns: Sequence[Column]) -> None:
        self.columns = columns
        self._shortest, self._longest = min(column.hold_s for column in columns), max(column.hold_s for column in columns)
        self._waiting: list[_Item] = []
        self._held: _Item | None = None
        self._good = [GOOD] * len(columns)
        self._source_time: float | None = None
        self.apart = True
        """Whether the columns stand for themselves."""

    @property
    def first_s(self) -> float | None:
        """The begin of the oldest second that waits [epoch s]; None where none does or the columns stand for themselves."""
        return float(self._waiting[0].second) if self._waiting else None

    def take(self, times: float | Sequence[float], values: Sequence[float], quality: Sequence[int] | None) -> None:
        """Let a row wait; `times` [epoch s] is one for all or one for each role."""
        if not self.apart:
            first, last = (times, times) if isinstance(times, float) else (min(times), max(times))
            second = math.floor(first)
            if last < second + 1 and (not self._waiting or second > self._waiting[-1].second):
                self._waiting.append(_Item(second, times, values, quality, self._until(times)))
                return
            if self._follows(second, first, last, quality):
                self._waiting[-1] = _Item(second, times, values, quality, self._until(times))
                return
            self.part()
        each = [times] * len(values) if isinstance(times, float) else times
        for column, time, value, code in zip(self.columns, each, values, quality or self._good, strict=True):
            column.add((time, value, code))

    def _follows(self, second: int, first: float, last: float, quality: Sequence[int] | None) -> bool:
        """Whether a row stands for the newest that waits, because it comes later in the same second and is all good."""
        newest = self._waiting[-1] if self._waiting else None
        if newest is None or last >= second + 1 or newest.second != second or quality is not None:
            return False
        return first >= (newest.times if isinstance(newest.times, float) else max(newest.times))

    def _until(self, times: float | Sequence[float]) -> float:
        if isinstance(times, float):
            return times + self._shortest
        return min(time + column.hold_s for time, column in zip(times, self.columns, strict=True))

    def part(self) -> None:
        """Give what waits and what is held to the columns."""
        if self.apart:
            return
        self.apart = True
        held, waiting = self._held, self._waiting
        self._held, self._waiting = None, []
        if held is not None:
            for column, item in zip(self.columns, self._each(held), strict=True):
                column.held = item
        for row in waiting:
            for column, item in zip(self.columns, self._each(row), strict=True):
                column.add(item)
        self.ask_columns()

    def ask_columns(self) -> None:
        """Let each column know its source time by itself from here on."""
        if self._source_time is not None:
            for column in self.columns:
                column.source_time = self._source_time
            self._source_time = None

    def _each(self, row: _Item) -> list[Waiting]:
        times = [row.times] * len(row.values) if isinstance(row.times, float) else row.times
        return list(zip(times, row.values, row.quality or self._good, strict=True))

    def join(self) -> None:
        """Keep the columns as rows again where what is held and what waits in them are rows."""
        if not self.apart or len({len(column.waiting) for column in self.columns}) > 1:
            return
        held = [column.held for column in self.columns]
        known = [item for item in held if item is not None]
        if known and len(known) < len(held):
            return
        waiting: list[_Item] = []
        for items in zip(*(column.waiting for column in self.columns), strict=True):
            row = self._row(items)
            torn = math.floor(min(item[0] for item in items)) != row.second
            if torn or (waiting and row.second <= waiting[-1].second):
                return
            waiting.append(row)
        self._held, self._waiting, self.apart = self._row(known) if known else None, waiting, False
        for column in self.columns:
            column.held, column.newest = None, -math.inf
            column.waiting.clear()

    def _row(self, items: Sequence[Waiting]) -> _Item:
        times, values, quality = zip(*items, strict=True)
        return _Item(math.floor(max(times)), times, values, None if max(quality) == GOOD else quality, self._until(times))

    def fill(self, first: int, rows: int, values: list[float], quality: list[int], flags: list[int]) -> None:
        """Add the values and qualities of seconds that follow each other, role by role; see `Column.fill`."""
        if self.apart:
            for column in self.columns:
                column.fill(first, rows, values, quality, flags)
            self.join()
            return
        if rows == 1:
            if self._fill_one(first, values, quality):
                flags[0] = FLAG_HELD
            return
        by_second: list[float] = []
        codes: list[int] = []
        for row in range(rows):
            if self._fill_one(first + row, by_second, codes):
                flags[row] = FLAG_HELD
        for number in range(len(self.columns)):
            values += by_second[number :: len(self.columns)]
            quality += codes[number :: len(self.columns)]

    def _fill_one(self, second: int, values: list[float], quality: list[int]) -> bool:
        """Add those of one second; returns whether one of them is held from an earlier second."""
        waiting, held = self._waiting, self._held
        while waiting and waiting[0].second <= second:
            self._held = held = waiting.pop(0)
        if held is not None and (held.second >= second or second + 1 <= held.holds_until):
            values += held.values
            quality += held.quality or self._good
            return held.second < second and (held.quality is None or min(held.quality) != BAD)
        if held is None:
            values += [math.nan] * len(self.columns)
            quality += [BAD] * len(self.columns)
            return False
        any_held = False
        for column, (time, value, code) in zip(self.columns, self._each(held), strict=True):
            good = code != BAD and second + 1 - time <= column.hold_s
            values.append(value if good else math.nan)
            quality.append(code if good else BAD)
            any_held = any_held or good
        return any_held

    def newer_source(self, source: float) -> bool | None:
        """Whether a source time that all roles have is newer than the one before; None where the columns must be asked."""
        before = self._source_time
        if before is None:
            if self.apart or max(column.source_time for column in self.columns) >= source:
                return None
        elif source <= before:
            return False
        self._source_time = source
        return True

    def all_hold(self, age_s: float) -> bool | None:
        """Whether a reading of such an age [s] is young enough for all roles; None where only for some."""
        return True if age_s <= self._shortest else False if age_s > self._longest else None
