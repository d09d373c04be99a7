"""The shifts, days and months of a site that are accounted for, by name and by what fills them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from checks.accounting.calendar import Kind, Period, day, month, periods
from config.model import Site

KINDS: tuple[Kind, ...] = ("shift", "day", "month")
FINER: dict[Kind, Kind] = {"month": "day", "day": "shift", "shift": "shift"}
"""What an account of a period shows row by row."""
MINUTE_S = 60
SETTLED_S = 120
"""A running period is accounted for up to here before now: what comes later may not be stored yet [s]."""


def parts_of(site: Site, kind: Kind, first: date, last: date) -> tuple[Period, ...]:
    """The shifts, days or months of the days `first` to `last` (inclusive) in the calendar of the site."""
    return periods(kind, first, last, shifts_of(site), site.time_zone)


def split_of(site: Site, kind: Kind, period: Period) -> tuple[Period, ...]:
    """The days of a month, the shifts of a day; a shift is one row."""
    if FINER[kind] == kind:
        return (period,)
    first, last = (date_at(site, edge) for edge in (period.begin, period.end))
    every = parts_of(site, FINER[kind], first - timedelta(days=1), last)
    return tuple(one for one in every if period.begin <= one.begin < period.end)


def date_at(site: Site, moment: int) -> date:
    """The local date of a moment [epoch s]."""
    return datetime.fromtimestamp(moment, ZoneInfo(site.time_zone)).date()


def whole_of(parts: Sequence[Period]) -> Period:
    """The time that some periods fill; one period is that period."""
    if len(parts) == 1:
        return parts[0]
    return Period(
        kind=parts[0].kind, name=f"{parts[0].name} to {parts[-1].name}", begin=parts[0].begin, end=parts[-1].end,
        note="; ".join(dict.fromkeys(f"{part.name} is {part.note}" for part in parts if part.note)),
    )  # fmt: skip


def period_named(site: Site, kind: Kind, name: str) -> Period:
    """A period by its name ("2027-03", "2027-03-14", "2027-03-14 06:00"). ValueError where there is none of this name."""
    zone, shifts = site.time_zone, shifts_of(site)
    if kind == "month":
        year, _, number = name.partition("-")
        if len(name) != 7 or not 1 <= int(number) <= 12:
            raise ValueError(name)
        return month(int(year), int(number), shifts, zone)
    on = date.fromisoformat(name[:10])
    if kind == "day":
        return day(date.fromisoformat(name), shifts, zone)
    found = [one for one in periods("shift", on, on, shifts, zone) if one.name == name]
    if not found:
        raise ValueError(name)
    return found[0]


def shifts_of(site: Site) -> tuple[str, ...]:
    """The begins of the shifts; a site that names none begins its day at midnight."""
    return site.shifts or ("00:00",)


def begun(parts: Sequence[Period], now: float) -> tuple[Period, ...]:
    """The periods that have begun, the last one cut at what is surely stored."""
    until = int(now - SETTLED_S) // MINUTE_S * MINUTE_S
    return tuple(replace(part, end=min(part.end, until)) for part in parts if part.begin < until)
