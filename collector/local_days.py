"""Local days as moments."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo


def midnight(day: date, zone: ZoneInfo) -> int:
    """The first second of a local day [epoch s]; days of 23 and 25 h follow from it."""
    return int(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp())


def local_day(time_s: float, zone: ZoneInfo) -> date:
    """The local day that holds a moment."""
    return datetime.fromtimestamp(time_s, zone).date()
