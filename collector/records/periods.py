"""Which time a report is about: named by people, or due by the calendar of the site."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from checks.accounting.calendar import Kind, Period, day, month, periods, shifts_of
from config.errors import TallywireError
from config.model import Site

MADE_AFTER_S = 300
"""How long after its end a period is reported [s]: late samples and blocks are stored by then."""
MOST_MISSED = 40
"""Periods that are made up for after a time out of service; older ones are left."""
NOT_OVER = "not over when this was made"
_FORMS = {"shift": r"\d{4}-\d\d-\d\d \d\d:\d\d", "day": r"\d{4}-\d\d-\d\d", "month": r"\d{4}-\d\d"}


def named(site: Site, kind: Kind, name: str, now: float) -> Period:
    """The period that people call by a name; one that is not over ends with the last whole minute.

    Raises
    ------
    TallywireError
        There is no period of this name, or it has not begun.
    """
    found = _find(site, kind, name)
    if found is None:
        examples = {"shift": f"2026-03-02 {min(site.shifts)}", "day": "2026-03-02", "month": "2026-03"}
        shifts = f"; shifts begin at {', '.join(site.shifts)}" if kind == "shift" else ""
        raise TallywireError(f"{name!r} is no {kind} of this site", where="period", fix=f"such as {examples[kind]}{shifts}")
    until = int(now // 60) * 60
    if found.begin >= until:
        raise TallywireError(f"the {kind} {name} has not begun", where="period", fix="name one that has begun")
    return found if found.end <= until else replace(found, end=until, note=NOT_OVER)


def due(site: Site, kind: Kind, after: int | None, now: float) -> Sequence[Period]:
    """The periods that are over and were not reported, oldest first: those that begin after `after`, the last one where None."""
    today = datetime.fromtimestamp(now, UTC).astimezone(ZoneInfo(site.time_zone)).date()
    reach = {"shift": 1 + MOST_MISSED // len(site.shifts), "day": MOST_MISSED, "month": 31 * MOST_MISSED}[kind] + 1
    every = periods(kind, today - timedelta(days=reach), today, site.shifts, site.time_zone)
    over = [one for one in every if one.end + MADE_AFTER_S <= now]
    return over[-1:] if after is None else [one for one in over if one.begin > after][-MOST_MISSED:]


def current(site: Site, kind: Kind, now: float) -> str:
    """The name of the period that runs now."""
    today = datetime.fromtimestamp(now, UTC).astimezone(ZoneInfo(site.time_zone)).date()
    every = periods(kind, today - timedelta(days=1), today, site.shifts, site.time_zone)
    return next((one.name for one in every if one.begin <= now < one.end), every[-1].name)


def _find(site: Site, kind: Kind, name: str) -> Period | None:
    if not re.fullmatch(_FORMS[kind], name):
        return None
    try:
        if kind == "month":
            return month(int(name[:4]), int(name[5:]), site.shifts, site.time_zone)
        on = date.fromisoformat(name[:10])
        if kind == "day":
            return day(on, site.shifts, site.time_zone)
        return next((one for one in shifts_of(on, site.shifts, site.time_zone) if one.name == name), None)
    except (ValueError, OverflowError):
        return None
