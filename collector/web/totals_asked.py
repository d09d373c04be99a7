"""Which time somebody asks the tonnes of: a shift, day or month by name, or days from and to with a row a shift, day or month."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from urllib.parse import urlencode

from fastapi import HTTPException

from checks.accounting.calendar import Kind, Period
from collector.accounts import periods
from config.model import Site

MOST_DAYS = {"shift": 31, "day": 366, "month": 3 * 366}
"""The longest time by the kind of its rows [days]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A time with its rows. `named` is its period where it has a name of its own; `earlier` and `later` the names beside it."""

    kind: Kind
    parts: tuple[Period, ...]
    named: Period | None
    query: str
    earlier: str = ""
    later: str = ""

    @property
    def whole(self) -> Period:
        """The whole time."""
        return self.named or periods.whole_of(self.parts)


def asked(site: Site, query: Mapping[str, str], now: float) -> Asked:
    """What a query asks for; the current day where it names nothing. 422 where it does not fit."""
    if "from" in query or "to" in query:
        return _range(site, query, now)
    kind = _kind(query.get("kind", "day"))
    name = query.get("period") or _by_day(site, kind, query, now)
    try:
        named = periods.period_named(site, kind, name)
    except (ValueError, OverflowError):
        example = {"month": "2026-03", "day": "2026-03-02", "shift": "2026-03-02 06:00"}[kind]
        raise HTTPException(422, f"period: {name!r} is no {kind} of this site, such as {example}") from None
    if not periods.begun((named,), now):
        raise HTTPException(422, f"period: {name} has not begun")
    before, after = _at(site, kind, named.begin - 1), _at(site, kind, named.end)
    return Asked(
        kind=kind, parts=periods.split_of(site, kind, named), named=named, query=urlencode({"kind": kind, "period": name}),
        earlier=before, later=after if named.end < now - periods.SETTLED_S else "",
    )  # fmt: skip


def current(site: Site, kind: Kind, now: float) -> str:
    """The name of the period that runs now."""
    return _at(site, kind, int(now) - periods.SETTLED_S)


def _range(site: Site, query: Mapping[str, str], now: float) -> Asked:
    by = _kind(query.get("by", "day"))
    try:
        first, after = date.fromisoformat(query.get("from", "")), date.fromisoformat(query.get("to", ""))
        days = (after - first).days
    except ValueError:
        raise HTTPException(422, "from, to: give both as days, such as 2026-03-02; to is the day after the last") from None
    if not 0 < days <= MOST_DAYS[by]:
        raise HTTPException(422, f"from, to: from 1 to {MOST_DAYS[by]} days with a row a {by}; to is the day after the last")
    parts = periods.parts_of(site, by, first, after - timedelta(days=1))
    if not periods.begun(parts, now):
        raise HTTPException(422, "from: this day has not begun")
    return Asked(
        kind=by, parts=parts, named=None, query=urlencode({"from": first.isoformat(), "to": after.isoformat(), "by": by})
    )


def _kind(text: str) -> Kind:
    found = next((kind for kind in periods.KINDS if kind == text), None)
    if found is None:
        raise HTTPException(422, f"kind, by: one of {', '.join(periods.KINDS)}")
    return found


def _by_day(site: Site, kind: Kind, query: Mapping[str, str], now: float) -> str:
    """The period that holds a day; of a shift, the one that begins at the time that is named, or the first."""
    day = query.get("day", "")
    if not day:
        return current(site, kind, now)
    if kind == "month":
        return day[:7]
    return day if kind == "day" else f"{day} {query.get('shift') or min(periods.shifts_of(site))}"


def _at(site: Site, kind: Kind, moment: int) -> str:
    """The name of the period that holds a moment."""
    on = periods.date_at(site, moment)
    every = periods.parts_of(site, kind, on - timedelta(days=1), on)
    return next((one.name for one in every if one.begin <= moment < one.end), every[-1].name)
