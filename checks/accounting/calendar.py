"""Shifts, days and months of a site as stretches of UTC, in the site's time zone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

Kind = Literal["shift", "day", "month"]
DAY_S = 86400


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """A stretch that is accounted for: `begin` up to `end` (exclusive), epoch seconds UTC.

    `name` is how people call it ("2026-10-25 22:00", "2026-10-25", "2026-10"). `note` says what is unusual about its length:
    empty unless the clocks were changed inside it.
    """

    kind: Kind
    name: str
    begin: int
    end: int
    note: str = ""

    @property
    def hours(self) -> float:
        """Real length [h]; 23 or 25 for a day in which the clocks are changed."""
        return (self.end - self.begin) / 3600.0


def day(on: date, shifts: Sequence[str], zone: str) -> Period:
    """The accounting day `on`: from the first shift that begins on that date to the same shift of the next date."""
    first = min(shifts)
    return _period("day", on.isoformat(), _at(on, first, zone), _at(on + timedelta(days=1), first, zone), zone)


def month(year: int, number: int, shifts: Sequence[str], zone: str) -> Period:
    """The accounting month: all accounting days whose date lies in it."""
    following = date(year + number // 12, number % 12 + 1, 1)
    first = min(shifts)
    return _period(
        "month", f"{year:04d}-{number:02d}", _at(date(year, number, 1), first, zone), _at(following, first, zone), zone
    )


def shifts_of(on: date, shifts: Sequence[str], zone: str) -> tuple[Period, ...]:
    """The shifts of an accounting day in order of time; they fill it without a gap or an overlap.

    A shift whose begin the clocks skip begins where they go on. Two begins that fall together leave no empty shift.
    """
    begins = [(_at(on, begin, zone), begin) for begin in sorted(set(shifts))]
    ends = [start for start, _ in begins[1:]] + [day(on, shifts, zone).end]
    return tuple(
        _period("shift", f"{on.isoformat()} {label}", start, end, zone)
        for (start, label), end in zip(begins, ends, strict=True)
        if end > start
    )


def periods(kind: Kind, first: date, last: date, shifts: Sequence[str], zone: str) -> tuple[Period, ...]:
    """All periods of a kind that have a day from `first` to `last` (inclusive); empty where `last` is before `first`."""
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    if kind == "month":
        return tuple(month(y, m, shifts, zone) for y, m in dict.fromkeys((on.year, on.month) for on in days))
    if kind == "day":
        return tuple(day(on, shifts, zone) for on in days)
    return tuple(shift for on in days for shift in shifts_of(on, shifts, zone))


def _at(on: date, clock: str, zone: str) -> int:
    """Epoch seconds of a local time. A time that comes twice is the first; one that is skipped is as far behind the gap."""
    local = datetime.combine(on, time.fromisoformat(clock), ZoneInfo(zone))
    return int(local.astimezone(UTC).timestamp())


def _period(kind: Kind, name: str, begin: int, end: int, zone: str) -> Period:
    tz = ZoneInfo(zone)
    before, after = (datetime.fromtimestamp(at, tz).utcoffset() or timedelta() for at in (begin, end))
    moved = (before - after).total_seconds() / 3600.0
    note = ""
    if moved:
        how = "back" if moved > 0 else "forward"
        note = f"{(end - begin) / 3600.0:g} h long: the clocks go {how} by {abs(moved):g} h"
    return Period(kind=kind, name=name, begin=begin, end=end, note=note)
