"""Uptime of the site and of one loop: strips, tables, the file, and corrections by people; the same over REST."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from checks.reliability.rates import Tally, tally
from checks.reliability.timeline import Annotation, Interval, LoopState
from collector import uptime, uptime_text
from collector.alerts.desk import AlertDesk
from collector.clock import Clock
from collector.history.store import Store
from collector.live import LiveState
from collector.web.forms import author, own_form, reason_of, unprocessable
from collector.web.pages import Pages
from collector.web.paging import Part, part_of
from collector.web.security import Guard
from collector.web.times import moment
from collector.web.uptime_answers import CorrectionIn, CorrectionOut, UptimeOut, answer, correction
from config.errors import StoreError, TallywireError

SPANS: tuple[uptime.Span, ...] = ("day", "week", "month")
AVAILABILITY_SPAN_S = 30 * 86400
AVAILABILITY_EVERY_S = 3600.0
LOOPS_A_PAGE = 20
COLUMNS = 240
WIDTH = 720.0
LETTERS = {
    LoopState.TRUE: "", LoopState.DEGRADED: "D", LoopState.NOT_MEASURING: "N", LoopState.UNVERIFIED: "U",
    LoopState.MAINTENANCE: "M", LoopState.NO_DATA: "?", LoopState.NOT_REQUIRED: "",
}  # fmt: skip
LEADS = (LoopState.NOT_MEASURING, LoopState.DEGRADED, LoopState.MAINTENANCE)
"""States that a column of a strip shows however short they are, the first first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A stretch of one state on a strip: place and width in the picture, the times in words."""

    x: float
    width: float
    css: str
    letter: str
    title: str


class UptimePages:
    """Reads the history for page, file and REST."""

    def __init__(self, pages: Pages, live: LiveState, store: Store | None, desk: AlertDesk, clock: Clock, guard: Guard) -> None:
        self._pages, self._live, self._store, self._desk, self._clock, self._guard = pages, live, store, desk, clock, guard
        self._zone = ZoneInfo(live.site.time_zone)
        self._asked_at = float("-inf")
        self._availability: dict[str, float] = {}

    async def page(self, request: Request, *, problem: TallywireError | None = None) -> Response:
        """The page of the site or of one loop; the page again with what is wrong where a form did not fit."""
        loop, span, day, found, part = await self._asked(request)
        begin, end = uptime.stretch_of(span, day, self._zone)
        days = uptime.days_of(found[0].begin, found[0].end, self._zone)
        return self._pages.render(
            "uptime.html",
            200 if problem is None else 422,
            found=found,
            part=part,
            whole=tally(item for one in found for item in one.intervals),
            not_measuring_s=sum(one.not_measuring_s for one in found),
            sentence=uptime.sentence(found),
            definitions=uptime.DEFINITIONS,
            strips={one.loop: self.strip(one.intervals, begin, end) for one in found},
            days=[(first, _sum(found, first, last)) for first, last in days],
            begin=begin,
            end=end,
            day_of=lambda edge: datetime.fromtimestamp(edge, self._zone).strftime("%a %d %b"),
            until=found[0].end,
            loop_id=loop,
            span=span,
            spans=SPANS,
            day=day.isoformat(),
            earlier=(datetime.fromtimestamp(begin, self._zone).date() - timedelta(days=1)).isoformat(),
            later=datetime.fromtimestamp(end, self._zone).date().isoformat(),
            states=list(LoopState),
            letters=LETTERS,
            text=uptime_text,
            problem=problem,
        )

    async def file(self, request: Request) -> Response:
        """One row a loop and local day as CSV."""
        _, span, day, found, _ = await self._asked(request, paged=False)
        headers = {"Content-Disposition": f'attachment; filename="uptime-{span}-{day.isoformat()}.csv"'}
        return Response(uptime.csv_text(found, self._zone), media_type="text/csv; charset=utf-8", headers=headers)

    async def rest(self, request: Request) -> UptimeOut:
        """The same for programs."""
        _, _, _, found, _ = await self._asked(request, paged=False)
        whole = tally(item for one in found for item in one.intervals)
        days = uptime.days_of(found[0].begin, found[0].end, self._zone)
        return answer(found, whole, self._zone, [(first, _sum(found, first, last)) for first, last in days])

    async def annotate(self, body: CorrectionIn) -> CorrectionOut:
        """Take a correction from a program."""
        edges = moment(body.begin, 0.0, "begin"), moment(body.end, 0.0, "end")
        with unprocessable():
            one = self._made(body.loop, body.state, int(edges[0]), int(edges[1]), body.by, body.reason)
        await run_in_threadpool(self._history().annotate, one)
        return correction(one)

    async def correct(self, request: Request) -> Response:
        """Take a correction by a form; it is kept with name, reason and time, and nothing is overwritten."""
        form = await own_form(request, self._guard)
        try:
            one = self._correction(form)
        except TallywireError as problem:
            return await self.page(request, problem=problem)
        await run_in_threadpool(self._history().annotate, one)
        return RedirectResponse(f"/uptime?{request.url.query}", status_code=303)

    def strip(self, intervals: Sequence[Interval], begin: int, end: int) -> list[Piece]:
        """A strip of columns, neighbours of one state joined; what is short and wrong is shown, never lost in its column."""
        width = (end - begin) / COLUMNS
        columns: list[dict[LoopState, float]] = [{} for _ in range(COLUMNS)]
        for item in intervals:
            for column in range(int((item.begin - begin) / width), min(int((item.end - begin - 1) / width) + 1, COLUMNS)):
                first, last = begin + column * width, begin + (column + 1) * width
                seconds = min(item.end, last) - max(item.begin, first)
                columns[column][item.state] = columns[column].get(item.state, 0.0) + seconds
        states = [
            next((lead for lead in LEADS if lead in column), max(column, key=lambda state: column[state])) if column else None
            for column in columns
        ]
        pieces: list[Piece] = []
        at = 0
        for column in range(1, COLUMNS + 1):
            if column < COLUMNS and states[column] is states[at]:
                continue
            state = states[at]
            if state is not None:
                first, last = begin + at * width, begin + column * width
                long = (column - at) * WIDTH / COLUMNS
                local = [datetime.fromtimestamp(edge, self._zone).strftime("%d %b %H:%M %Z") for edge in (first, last)]
                utc = [datetime.fromtimestamp(edge, UTC).strftime("%d %b %H:%M UTC") for edge in (first, last)]
                pieces.append(
                    Piece(
                        x=round(at * WIDTH / COLUMNS, 1), width=round(long, 1), css=state.name.lower().replace("_", "-"),
                        letter=LETTERS[state] if long >= 12 else "",
                        title=f"{state.value}, {local[0]} to {local[1]} ({utc[0]} to {utc[1]})",
                    )
                )  # fmt: skip
            at = column
        return pieces

    def _history(self) -> Store:
        if self._store is None:
            reason = self._live.problems.get("history", "the service runs without one")
            raise HTTPException(503, f"there is no history: {reason}")
        return self._store

    async def _asked(
        self, request: Request, *, paged: bool = True
    ) -> tuple[str, uptime.Span, date, list[uptime.Uptime], Part[str]]:
        """Loop, span, day, the uptimes, and which of the loops they are: all of the site, or those of one page."""
        store, query, now = self._history(), request.query_params, int(self._clock.now())
        loop, span = query.get("loop", ""), query.get("span", "day")
        if loop and loop not in self._live.site.loops:
            raise HTTPException(404, f"this site has no loop {loop!r}")
        if span not in SPANS:
            raise HTTPException(422, f"span: one of {', '.join(SPANS)}")
        try:
            day = date.fromisoformat(query.get("day") or datetime.fromtimestamp(now, self._zone).date().isoformat())
            begin, end = uptime.stretch_of(span, day, self._zone)
        except (ValueError, OverflowError):
            raise HTTPException(422, "day: a day, such as 2026-03-02") from None
        if begin >= now:
            raise HTTPException(422, "day: this day has not begun")
        until = min(end, now)
        number = query.get("page", "1")
        if not number.isdecimal():
            raise HTTPException(422, "page: a whole number")
        loops = [loop] if loop else list(self._live.site.loops)
        part = part_of(loops, int(number), LOOPS_A_PAGE if paged else max(len(loops), 1))
        return loop, span, day, await self._read(store, part.items, begin, until), part

    async def availability(self) -> dict[str, float]:
        """Availability of each loop over the last 30 days, read once an hour; empty without a history or required time."""
        now = self._clock.now()
        if self._store is not None and now - self._asked_at >= AVAILABILITY_EVERY_S:
            self._asked_at = now
            try:
                found = await self._read(self._store, list(self._live.site.loops), int(now) - AVAILABILITY_SPAN_S, int(now))
            except StoreError:
                self._live.count("history_errors")
            else:
                shares = {one.loop: one.tally.availability for one in found}
                self._availability = {loop: share for loop, share in shares.items() if share is not None}
        return self._availability

    async def _read(self, store: Store, loops: Sequence[str], begin: int, end: int) -> list[uptime.Uptime]:
        alerts = await run_in_threadpool(self._desk.past, begin - uptime.BEFORE_S, float(end), uptime.MOST_ALERTS)
        return [await run_in_threadpool(uptime.read, store, lambda *_: alerts, name, begin, end) for name in loops]

    def _correction(self, form: dict[str, str]) -> Annotation:
        loop = form.get("loop", "")
        try:
            state = LoopState(form.get("state", ""))
            begin, end = (
                int(datetime.fromisoformat(form.get(name, "")).replace(tzinfo=self._zone).timestamp())
                for name in ("from", "to")
            )
        except ValueError as error:
            raise TallywireError("the state or a time is none", fix="times are local, such as 2026-03-02T13:05") from error
        return self._made(loop, state, begin, end, form.get("name", ""), form.get("reason", ""))

    def _made(self, loop: str, state: LoopState, begin: int, end: int, by: str, reason: str) -> Annotation:
        """A correction, where it can be one."""
        if loop not in self._live.site.loops:
            raise TallywireError(f"this site has no loop {loop!r}", fix="choose one of this site")
        if not begin < end <= self._clock.now():
            raise TallywireError("the time does not end after it begins, or ends ahead of now", fix="correct from and to")
        return Annotation(
            loop=loop, begin=begin, end=end, state=state, by=author(by), reason=reason_of(reason),
            made=self._clock.now(),
        )  # fmt: skip


def _sum(found: Sequence[uptime.Uptime], begin: int, end: int) -> Tally:
    whole = found[0].within(begin, end)
    for one in found[1:]:
        whole = whole + one.within(begin, end)
    return whole


def router(pages: UptimePages) -> APIRouter:
    """The page, the file, the correction and REST."""
    routes = APIRouter()

    @routes.get("/uptime", include_in_schema=False)
    async def page(request: Request) -> Response:
        return await pages.page(request)

    @routes.get("/uptime.csv", include_in_schema=False)
    async def file(request: Request) -> Response:
        return await pages.file(request)

    @routes.post("/uptime", include_in_schema=False)
    async def correct(request: Request) -> Response:
        return await pages.correct(request)

    @routes.get("/api/v1/uptime", summary="Uptime by local day, week or month: span, day, loop")
    async def rest(
        request: Request,
        span: Annotated[uptime.Span, Query()] = "day",
        day: Annotated[str | None, Query(examples=["2026-03-02"])] = None,
        loop: Annotated[str | None, Query(examples=["TB-07"])] = None,
    ) -> UptimeOut:
        return await pages.rest(request)

    @routes.post("/api/v1/uptime/corrections", status_code=201, summary="Correct the state of a loop over a time")
    async def annotate(body: CorrectionIn) -> CorrectionOut:
        return await pages.annotate(body)

    return routes
