"""Any role of a loop over any time: panels by unit, marks of what happened, the same as a table and as CSV."""

from __future__ import annotations

import csv
import io
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
from fastapi import APIRouter, HTTPException, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, Response, StreamingResponse

from collector.alerts.desk import AlertDesk
from collector.clock import Clock
from collector.history.store import Store, Trend
from collector.live import LiveState
from collector.web.drawing import TrendPicture, draw
from collector.web.drawn_roles import meaning_of, name_of, roles_of, unit_of
from collector.web.pages import Pages
from collector.web.times import LONGEST_SPAN, stretch
from config.model import Loop

POINTS = 1000
"""Points a line is drawn from at most."""
MOST_ROLES = 8
SHORTEST_S = 10
"""Shortest time that is drawn [s]."""
SPANS: Mapping[str, tuple[str, int]] = {
    "2h": ("2 hours", 7200),
    "1d": ("1 day", 86400),
    "7d": ("7 days", 7 * 86400),
    "30d": ("30 days", 30 * 86400),
    "1y": ("1 year", 366 * 86400),
}
DEFAULT = "1d"
LINES = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
"""Classes of the lines: each has a stroke and a dash of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """The roles of one unit: what was read, its picture, and the names in the order of the lines."""

    unit: str
    roles: tuple[str, ...]
    picture: TrendPicture | None
    step_s: int
    columns: list[list[float | None]]
    """Times [epoch s], then mean, least and largest value of each role; None in gaps: what the script draws."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """Something that happened within the time, with the letter that marks it in the pictures."""

    letter: str
    time_s: float
    end_s: float | None
    text: str
    link: str


def lettered(index: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    text = ""
    index += 1
    while index:
        index, left = divmod(index - 1, 26)
        text = chr(65 + left) + text
    return text


class TrendPages:
    """Reads the history for the page and the file."""

    def __init__(self, pages: Pages, live: LiveState, store: Store | None, desk: AlertDesk, clock: Clock) -> None:
        self._pages, self._live, self._store, self._desk, self._clock = pages, live, store, desk, clock
        self._zone = ZoneInfo(live.site.time_zone)

    async def page(self, loop: str, request: Request) -> HTMLResponse:
        """The page; 404 for an unknown loop or role, 422 for a time that is none."""
        plant = self._known(loop)
        roles, begin, end, span = self._asked(plant, request)
        began = time.perf_counter()
        trends = await run_in_threadpool(self._read, loop, roles, begin, end)
        took = time.perf_counter() - began
        return self._pages.render(
            "trend.html",
            loop_id=loop,
            plant=plant,
            chosen=roles,
            offered=[(role, meaning_of(role), unit_of(role)) for role in roles_of(plant)],
            panels=self._panels(trends, begin, end),
            happened=self._happened(loop, begin, end),
            begin=begin,
            end=end,
            span=span,
            spans=SPANS,
            zone=self._live.site.time_zone,
            took_ms=1000.0 * took,
            points=max((len(trend.time_s) for trend in trends.values()), default=0),
            name_of=name_of,
            query="&".join(f"role={role}" for role in roles),
            moves=_moves(begin, end, self._clock.now()),
            typed=lambda time_s: datetime.fromtimestamp(time_s, self._zone).strftime("%Y-%m-%dT%H:%M:%S"),
        )

    async def file(self, loop: str, request: Request) -> Response:
        """The drawn lines as CSV: time, and per role least, mean and largest value of each bucket."""
        plant = self._known(loop)
        roles, begin, end, _ = self._asked(plant, request)
        trends = list((await run_in_threadpool(self._read, loop, roles, begin, end)).values())
        name = f"{loop}-{datetime.fromtimestamp(begin, UTC):%Y%m%dT%H%MZ}.csv"
        headers = {"Content-Disposition": f'attachment; filename="{name}"'}
        return StreamingResponse(_csv(trends), media_type="text/csv; charset=utf-8", headers=headers)

    def _known(self, loop: str) -> Loop:
        if loop not in self._live.site.loops:
            raise HTTPException(404, f"this site has no loop {loop!r}")
        return self._live.site.loops[loop]

    def _asked(self, loop: Loop, request: Request) -> tuple[list[str], int, int, str]:
        """Roles, begin, end and the name of the span that a request asks for."""
        query, offered = request.query_params, roles_of(loop)
        asked = list(dict.fromkeys(query.getlist("role"))) or [role for role in ("flow", "plc_flow") if role in offered]
        unknown = [role for role in asked if role not in offered]
        if unknown:
            raise HTTPException(404, f"this loop has nothing to draw under {unknown[0]!r}")
        if len(asked) > MOST_ROLES:
            raise HTTPException(422, f"at most {MOST_ROLES} lines can be told apart in a picture")
        now = self._clock.now()
        if "from" in query:
            edges = [self._zoned(query.get(name)) for name in ("from", "to")]
            begin, end = stretch(edges[0], edges[1], now, 86400)
            return asked, begin, end, ""
        span = query.get("span", DEFAULT)
        if span not in SPANS:
            raise HTTPException(422, f"span: one of {', '.join(SPANS)}")
        end = int(now)
        return asked, end - SPANS[span][1], end, span

    def _zoned(self, text: str | None) -> str | None:
        """A time of the form of the page: without a zone it is local, as the page says."""
        try:
            stamp = datetime.fromisoformat(text or "")
        except ValueError:
            return text
        return text if stamp.tzinfo else str(stamp.replace(tzinfo=self._zone).timestamp())

    def _read(self, loop: str, roles: Sequence[str], begin: int, end: int) -> dict[str, Trend]:
        if self._store is None:
            reason = self._live.problems.get("history", "the service runs without one")
            raise HTTPException(503, f"there is no history: {reason}")
        return self._store.trends(loop, roles, begin, end, POINTS)

    def _panels(self, trends: Mapping[str, Trend], begin: int, end: int) -> list[Panel]:
        panels = []
        for unit in dict.fromkeys(unit_of(role) for role in trends):
            roles = [role for role in trends if unit_of(role) == unit]
            lines = [(name_of(role), LINES[index], trends[role]) for index, role in enumerate(roles)]
            panels.append(
                Panel(
                    unit=unit, roles=tuple(roles), picture=draw(lines, begin, end, self._zone),
                    step_s=max(trends[role].step_s for role in roles),
                    columns=_columns([trends[role] for role in roles]),
                )
            )  # fmt: skip
        return panels

    def _happened(self, loop: str, begin: int, end: int) -> list[Happened]:
        """Alerts and events of the loop within the time, oldest first."""
        found: list[tuple[float, float | None, str, str]] = []
        alerts = {item.id: item for item in (*self._desk.past(begin, end), *self._desk.standing()) if item.loop == loop}
        for item in alerts.values():
            over = item.returned is not None and item.returned < begin
            if item.finding.begin < end and not over:
                found.append((float(item.finding.begin), item.returned, item.finding.title, f"/alerts#{item.id}"))
        if self._store is not None:
            found += [(event.time, None, event.text or event.kind, "") for event in self._store.events(begin, end, loop)]
        found.sort(key=lambda entry: entry[0])
        return [
            Happened(letter=lettered(index), time_s=when, end_s=until, text=text, link=link)
            for index, (when, until, text, link) in enumerate(found)
        ]


def _columns(trends: Sequence[Trend]) -> list[list[float | None]]:
    times = np.unique(np.concatenate([trend.time_s for trend in trends]))
    out: list[list[float | None]] = [times.tolist()]
    for trend in trends:
        places = np.searchsorted(times, trend.time_s)
        for column in (trend.mean, trend.minimum, trend.maximum):
            values: list[float | None] = [None] * len(times)
            for place, value in zip(places.tolist(), column.tolist(), strict=True):
                values[place] = float(f"{value:.6g}") if np.isfinite(value) else None
            out.append(values)
    return out


def _moves(begin: int, end: int, now: float) -> list[tuple[str, int, int]]:
    """Ways to other times without a mouse: name, begin and end."""
    span = end - begin
    around = [("earlier", begin - span, begin)]
    if end < now:
        around.append(("later", end, end + span))
    if span >= 2 * SHORTEST_S:
        around.append(("closer", begin + span // 4, end - span // 4))
    if span < LONGEST_SPAN // 2:
        around.append(("wider", max(0, begin - span // 2), end + span // 2))
    return around


def _csv(trends: Sequence[Trend]) -> Iterator[str]:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    head = [f"{trend.role}.{what} [{trend.unit or '1'}]" for trend in trends for what in ("minimum", "mean", "maximum")]
    writer.writerow(["time (UTC)", *head])
    times = np.unique(np.concatenate([trend.time_s for trend in trends])) if trends else np.empty(0, np.int64)
    places = [np.searchsorted(trend.time_s, times) for trend in trends]
    for row, second in enumerate(times.tolist()):
        cells: list[str] = [datetime.fromtimestamp(second, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")]
        for trend, place in zip(trends, places, strict=True):
            at = int(place[row])
            there = at < len(trend.time_s) and int(trend.time_s[at]) == second
            columns = (trend.minimum, trend.mean, trend.maximum)
            cells += [f"{column[at]:.9g}" if there and np.isfinite(column[at]) else "" for column in columns]
        writer.writerow(cells)
        if out.tell() > 65536:
            yield out.getvalue()
            out.seek(0)
            out.truncate()
    yield out.getvalue()


def router(trends: TrendPages) -> APIRouter:
    """The page and the file."""
    routes = APIRouter(include_in_schema=False)

    @routes.get("/loops/{loop}/trend")
    async def page(loop: str, request: Request) -> Response:
        return await trends.page(loop, request)

    @routes.get("/loops/{loop}/trend.csv")
    async def file(loop: str, request: Request) -> Response:
        return await trends.file(loop, request)

    return routes
