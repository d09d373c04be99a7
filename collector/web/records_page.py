"""The pages of the records: list, verification, each record as HTML and PDF, new reports; the same over REST."""

from __future__ import annotations

import asyncio
import hashlib
from collections import OrderedDict
from datetime import date, timedelta
from typing import Any, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from collector.clock import Clock
from collector.live import LiveState
from collector.local_days import midnight
from collector.records import periods
from collector.records.book import Record, RecordBook, Verified, printed_hash
from collector.records.desk import RecordDesk
from collector.records.forms import FORMS
from collector.records.paper import PdfError, pdf
from collector.records.render import html, style_sheet
from collector.web import record_answers, who
from collector.web.forms import author, own_form, reason_of, unprocessable
from collector.web.pages import Pages
from collector.web.security import Guard
from collector.web.times import LONGEST_SPAN, From, To, moment
from config.errors import TallywireError

LISTED = 200
"""Records that the page lists at most."""
PATIENCE_S = 10.0
"""How long a request waits for a PDF [s]; a longer one is made in the background and given when it is asked for again."""
PAPERS_KEPT = 8
KINDS: tuple[Literal["shift", "day", "month"], ...] = ("shift", "day", "month")


class RecordsPages:
    """Finds, shows and makes records."""

    def __init__(self, pages: Pages, live: LiveState, desk: RecordDesk | None, clock: Clock, guard: Guard) -> None:
        self._pages, self._live, self._desk, self._clock, self._guard = pages, live, desk, clock, guard
        self._zone = ZoneInfo(live.site.time_zone)
        self._papers: OrderedDict[str, asyncio.Future[bytes]] = OrderedDict()

    async def page(self, request: Request, *, problem: TallywireError | None = None) -> Response:
        """The list with its filters and, where it was asked for, the walk along the chain."""
        query, book, now = request.query_params, self.desk.book, self._clock.now()
        loop, kind = query.get("loop", ""), query.get("kind", "")
        verified: Verified | None = None
        try:
            begin, end = self._days(query.get("from", ""), query.get("to", ""))
            if query.get("verify"):
                printed = printed_hash(query["verify"], query["sha256"]) if query.get("sha256") else None
                verified = await run_in_threadpool(lambda: book.verify(printed=printed))
        except TallywireError as wrong:
            begin = end = None
            problem = problem or wrong
        lines = await run_in_threadpool(lambda: book.lines(loop=loop, kind=kind, begin=begin, end=end, most=LISTED + 1))
        return self._pages.render(
            "records.html",
            200 if problem is None else 422,
            lines=lines[:LISTED],
            more=len(lines) > LISTED,
            kinds=list(FORMS),
            asked={name: query.get(name, "") for name in ("loop", "kind", "from", "to", "verify", "sha256")},
            verified=verified,
            spans=[(name, periods.current(self._live.site, name, now)) for name in KINDS],
            problem=problem,
        )

    async def make(self, request: Request) -> Response:
        """Make a chain report by a form; to the new record, or the page again with what is wrong."""
        form = await own_form(request, self._guard)
        try:
            kind = next((name for name in KINDS if name == form.get("span")), None)
            if kind is None or form.get("loop") not in self._live.site.loops:
                raise TallywireError("the loop or the kind of period is missing", fix="choose one of each")
            by = author(form.get("name", ""))
            made = await run_in_threadpool(self.desk.report, form["loop"], kind, form.get("period", "").strip(), by=by)
        except TallywireError as problem:
            return await self.page(request, problem=problem)
        _note(made)
        return RedirectResponse(f"/records/{made.number}", status_code=303)

    async def restate(self, request: Request) -> Response:
        """Restate a report by a form; to the new record, or the list with what is wrong."""
        form = await own_form(request, self._guard)
        try:
            number = _number(form.get("number", ""))
            by, reason = author(form.get("name", "")), reason_of(form.get("reason", ""))
            made = await run_in_threadpool(self.desk.restate, number, reason=reason, by=by)
            if made is None:
                raise TallywireError(f"there is no record {number}", fix="take the number from the list")
        except TallywireError as problem:
            return await self.page(request, problem=problem)
        _note(made)
        return RedirectResponse(f"/records/{made.number}", status_code=303)

    async def one(self, number: int) -> Response:
        """A record as HTML."""
        record = await self.record(number)
        page = await run_in_threadpool(html, record, style_href=f"/records/print.css?v={_version()}", links=True)
        return HTMLResponse(page)

    async def paper(self, number: int) -> Response:
        """A record as PDF; 503 with `Retry-After` while a long one is being made, and where PDF cannot be made here."""
        record = await self.record(number)
        made = self._papers.get(record.sha256)
        if made is None or (made.done() and made.exception() is not None):
            made = self._papers[record.sha256] = asyncio.ensure_future(run_in_threadpool(pdf, record))
            made.add_done_callback(_seen)
            while len(self._papers) > PAPERS_KEPT:
                self._papers.popitem(last=False)
        try:
            body = await asyncio.wait_for(asyncio.shield(made), PATIENCE_S)
        except TimeoutError:
            raise HTTPException(
                503, f"the PDF of record {number} is being made; ask again in some seconds", headers={"Retry-After": "10"}
            ) from None
        except PdfError as error:
            raise HTTPException(503, f"{error.what}; {error.fix}") from error
        headers = {"Content-Disposition": f'inline; filename="record-{number}.pdf"'}
        return Response(body, media_type="application/pdf", headers=headers)

    async def record(self, number: int) -> Record:
        """A record; 404 where there is none of this number."""
        found = await run_in_threadpool(self.desk.book.find, number) if 1 <= number < 2**62 else None
        if found is None:
            raise HTTPException(404, f"there is no record {number}")
        return found

    @property
    def desk(self) -> RecordDesk:
        """The desk; 503 where the service keeps no history."""
        if self._desk is None:
            reason = self._live.problems.get("history", "the service runs without one")
            raise HTTPException(503, f"there is no history: {reason}")
        return self._desk

    @property
    def book(self) -> RecordBook:
        """The book; 503 where the service keeps no history."""
        return self.desk.book

    def now(self) -> float:
        """The time [epoch s]."""
        return self._clock.now()

    def known(self, loop: str | None) -> str:
        """A loop of the site, '' for all; 404 for any other."""
        if loop and loop not in self._live.site.loops:
            raise HTTPException(404, f"this site has no loop {loop!r}")
        return loop or ""

    def _days(self, first: str, last: str) -> tuple[int | None, int | None]:
        """Begin of the first local day and end of the last [epoch s], None where it is left open."""
        try:
            begin = midnight(date.fromisoformat(first), self._zone) if first else None
            end = midnight(date.fromisoformat(last) + timedelta(days=1), self._zone) if last else None
        except (ValueError, OverflowError):
            raise TallywireError("one of the days is no day", fix="write it as 2026-03-02") from None
        return begin, end


def _number(text: str) -> int:
    if not text.strip().isascii() or not text.strip().isdigit() or len(text.strip()) > 10:
        raise TallywireError("the number of the record is missing", fix="take it from the list")
    return int(text)


def _seen(made: asyncio.Future[bytes]) -> None:
    """What went wrong is told to whoever asks again; nobody may."""
    if not made.cancelled():
        made.exception()


def _version() -> str:
    return hashlib.sha256(style_sheet().encode()).hexdigest()[:12]


def router(pages: RecordsPages) -> APIRouter:
    """The pages and REST."""
    routes = APIRouter()
    rest: dict[str, Any] = {"tags": ["records"]}

    @routes.get("/records", include_in_schema=False)
    async def page(request: Request) -> Response:
        return await pages.page(request)

    @routes.post("/records", include_in_schema=False)
    async def make(request: Request) -> Response:
        return await pages.make(request)

    @routes.get("/records/print.css", include_in_schema=False)
    async def style() -> Response:
        return Response(style_sheet(), media_type="text/css; charset=utf-8", headers={"Cache-Control": "no-cache"})

    @routes.get("/records/{number}.pdf", include_in_schema=False)
    async def paper(number: int) -> Response:
        return await pages.paper(number)

    @routes.get("/records/{number}", include_in_schema=False)
    async def one(number: int) -> Response:
        return await pages.one(number)

    @routes.post("/records/restate", include_in_schema=False)
    async def restate(request: Request) -> Response:
        return await pages.restate(request)

    @routes.get("/api/v1/records", summary="Records, newest first: of a loop, of a kind, about a time", **rest)
    async def listed(
        loop: str | None = None, kind: str | None = None, begin: From = None, to: To = None
    ) -> list[record_answers.RecordLineOut]:
        now = pages.now()
        first = None if begin is None else int(moment(begin, now, "from"))
        last = None if to is None else int(moment(to, now, "to"))
        if first is not None and last is not None and not first < last <= first + LONGEST_SPAN:
            raise HTTPException(422, "from: must be before to, at most three years")
        wanted = pages.known(loop)
        lines = await run_in_threadpool(lambda: pages.book.lines(loop=wanted, kind=kind or "", begin=first, end=last))
        return [record_answers.line(item) for item in lines]

    @routes.get("/api/v1/records/verify", summary="Whether the chain of records is unbroken, and where it breaks", **rest)
    async def verify(number: int | None = None, sha256: str | None = None) -> record_answers.VerifiedOut:
        with unprocessable():
            printed = None if number is None else printed_hash(str(number), sha256 or "")
        return record_answers.verified(await run_in_threadpool(lambda: pages.book.verify(printed=printed)))

    @routes.get("/api/v1/records/{number}", summary="A record with its content and hashes", **rest)
    async def record(number: int) -> record_answers.RecordOut:
        return record_answers.record(await pages.record(number))

    @routes.post("/api/v1/records/chain-report", status_code=201, summary="Make a chain report of a loop and a period", **rest)
    async def report(body: record_answers.ReportIn) -> record_answers.RecordOut:
        with unprocessable():
            by = author(body.by)
        loop = pages.known(body.loop)
        made = await run_in_threadpool(pages.desk.report, loop, body.period.kind, body.period.name.strip(), by=by)
        _note(made)
        return record_answers.record(made)

    @routes.post("/api/v1/records/{number}/restate", status_code=201, summary="Restate a report by what is known now", **rest)
    async def restated(number: int, body: record_answers.RestateIn) -> record_answers.RecordOut:
        with unprocessable():
            by, reason = author(body.by), reason_of(body.reason)
        made = await run_in_threadpool(pages.desk.restate, number, reason=reason, by=by)
        if made is None:
            raise HTTPException(404, f"there is no record {number}")
        _note(made)
        return record_answers.record(made)

    return routes


def _note(made: Record) -> None:
    """Tell the audit log which record was made."""
    who.note(new={"record": made.number, "sha256": made.sha256})
