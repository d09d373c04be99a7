"""Tonnes of the site and of one loop: pages, files, REST, and the closing and restating of periods."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from collector.accounts import account, periods, table, words
from collector.accounts.account import Account
from collector.accounts.closing import Accountant, Closed
from collector.clock import Clock
from collector.live import LiveState
from collector.records.book import Record
from collector.web import bridge_plot, overview, totals_answers, who
from collector.web import totals_schemas as schemas
from collector.web.api import PROBLEMS
from collector.web.forms import author, own_form, reason_of, unprocessable
from collector.web.pages import LOOPS_A_PAGE, Pages
from collector.web.paging import Find, PageNumber, Part, fits, part_of
from collector.web.security import Guard
from collector.web.totals_asked import Asked, asked, current
from config.errors import TallywireError

KindQuery = Annotated[Literal["shift", "day", "month"], Query(description="the kind of period")]
PeriodQuery = Annotated[
    str | None, Query(max_length=40, description="its name; the current one where not given", examples=["2026-03-02"])
]
FromDay = Annotated[str | None, Query(alias="from", max_length=10, description="first day; then `kind` is not used")]
ToDay = Annotated[str | None, Query(max_length=10, description="day after the last")]
By = Annotated[Literal["shift", "day", "month"], Query(description="one row a shift, day or month, with `from` and `to`")]


class TotalsPages:
    """Asks the accountant for pages, files and REST."""

    def __init__(self, pages: Pages, live: LiveState, accountant: Accountant | None, clock: Clock, guard: Guard) -> None:
        self._pages, self._live, self._accountant, self._clock, self._guard = pages, live, accountant, clock, guard
        self._zone = ZoneInfo(live.site.time_zone)

    async def site(self, request: Request, *, problem: TallywireError | None = None) -> Response:
        """Some loops at a time, those that differ now first; worst first among those that are shown."""
        wanted = self.asked(request)
        part = self._part(request)
        found = await self._read(wanted, part.items, creep=False)
        return self._pages.render(
            "totals.html",
            200 if problem is None else 422,
            found=found,
            part=part,
            kept=await self.closed(wanted, found),
            sentence=words.site_sentence(found),
            problem=problem,
            **self._frame(wanted, found),
        )

    async def loop(self, request: Request, loop: str, *, problem: TallywireError | None = None) -> Response:
        """One loop with its rows, its bridge and what creeps; 404 where the site has no such loop."""
        wanted = self.asked(request)
        found = await self._read(wanted, [self.known(loop)], creep=True)
        (one,) = found
        (kept,) = await self.closed(wanted, found)
        picture = None if one.bridge is None else bridge_plot.draw(one.bridge, one.whole.uncertainty)
        return self._pages.render(
            "loop_totals.html",
            200 if problem is None else 422,
            one=one,
            kept=kept,
            picture=picture,
            problem=problem,
            **self._frame(wanted, found),
        )

    async def file(self, request: Request, loop: str | None) -> Response:
        """One row a loop and part as CSV."""
        wanted = self.asked(request)
        found = await self._read(wanted, self._part(request).items if loop is None else [self.known(loop)], creep=False)
        name = "-".join(part for part in ("totals", loop, wanted.whole.name.replace(" ", "-").replace(":", "")) if part)
        headers = {"Content-Disposition": f'attachment; filename="{name}.csv"'}
        return Response(table.csv_text(found, self._zone), media_type="text/csv; charset=utf-8", headers=headers)

    async def close(self, request: Request) -> Response:
        """Close a period of one loop or of all by a form."""
        form = await own_form(request, self._guard)
        loop = form.get("loop", "")

        def act(accountant: Accountant) -> list[Record]:
            kind = next((kind for kind in periods.KINDS if kind == form.get("kind")), None)
            if kind is None:
                raise TallywireError("the kind of period is missing", fix="close it from its page")
            by = author(form.get("name", ""))
            reason = reason_of(form.get("reason", ""), needed=False)
            name = form.get("period", "")
            if loop:
                return [accountant.close(self.known(loop), kind, name, by=by, reason=reason)]
            return accountant.close_all(kind, name, by=by, reason=reason)

        return await self._act(request, loop, act)

    async def restate(self, request: Request) -> Response:
        """Restate a closed period by a form."""
        form = await own_form(request, self._guard)

        def act(accountant: Accountant) -> list[Record]:
            by, reason = author(form.get("name", "")), reason_of(form.get("reason", ""))
            number = form.get("number", "")
            made = accountant.restate(int(number), by=by, reason=reason) if number.isdecimal() and len(number) < 10 else None
            if made is None:
                raise TallywireError("there is no such record", fix="restate it from the page of its period")
            return [made]

        return await self._act(request, form.get("loop", ""), act)

    async def rest(self, request: Request, loop: str | None) -> schemas.TotalsOut:
        """The accounts for programs."""
        wanted = self.asked(request)
        found = await self._read(wanted, self._part(request).items if loop is None else [self.known(loop)], creep=True)
        return totals_answers.totals(found, await self.closed(wanted, found))

    async def made(self, act: Callable[[Accountant], Record | None]) -> schemas.ClosedOut:
        """Close or restate for a program; 404 where there is no such record."""
        accountant = self.accountant
        record = await run_in_threadpool(act, accountant)
        kept = None if record is None else accountant.of_record(record)
        if kept is None:
            raise HTTPException(404, "there is no such record")
        who.note(new={"record": kept.record.number, "sha256": kept.record.sha256})
        return totals_answers.kept(kept)

    def asked(self, request: Request) -> Asked:
        """The time that a request asks for."""
        return asked(self._live.site, request.query_params, self._clock.now())

    def _part(self, request: Request) -> Part[str]:
        """The loops that a request is about: a page of those whose name or title fits, the worst by their standing first."""
        find, number = request.query_params.get("find", ""), request.query_params.get("page", "1")
        loops = self._live.site.loops
        order = [line.loop for line in overview.loop_lines(self._live, self._clock.now())]
        names = [name for name in order if fits(find, name, loops[name].title)]
        if not names:
            raise HTTPException(404, f"no loop has {find[:80]!r} in its name or title")
        return part_of(names, int(number) if number.isdecimal() and len(number) < 6 else 1, LOOPS_A_PAGE, find)

    def known(self, loop: str) -> str:
        """A loop of this site; 404 for any other."""
        if loop not in self._live.site.loops:
            raise HTTPException(404, f"this site has no loop {loop!r}")
        return loop

    @property
    def accountant(self) -> Accountant:
        """Who reads the accounts; 503 without a history."""
        if self._accountant is None:
            raise HTTPException(
                503, "there is no history: " + self._live.problems.get("history", "the service runs without one")
            )
        return self._accountant

    async def closed(self, wanted: Asked, found: Sequence[Account]) -> list[Closed | None]:
        """The newest record of the period of each account."""
        named, accountant = wanted.named, self.accountant
        if named is None:
            return [None] * len(found)
        return await run_in_threadpool(lambda: [accountant.closed(one.loop, named) for one in found])

    async def _read(self, wanted: Asked, loops: Sequence[str], *, creep: bool) -> list[Account]:
        accountant = self.accountant
        return account.worst_first(
            [await run_in_threadpool(accountant.read, loop, wanted.parts, named=wanted.named, creep=creep) for loop in loops]
        )

    def _frame(self, wanted: Asked, found: Sequence[Account]) -> dict[str, object]:
        """What both pages show around the numbers."""
        site, now = self._live.site, self._clock.now()
        period = found[0].whole.period
        return {
            "asked": wanted, "period": period, "running": found[0].running, "kinds": periods.KINDS, "said_of": words,
            "current": {kind: current(site, kind, now) for kind in periods.KINDS}, "shifts": periods.shifts_of(site),
            "may_close": self.accountant.keeps and wanted.named is not None and not found[0].running, "zone": self._zone,
        }  # fmt: skip

    async def _act(self, request: Request, loop: str, act: Callable[[Accountant], list[Record]]) -> Response:
        try:
            made = await run_in_threadpool(act, self.accountant)
        except TallywireError as problem:
            return await (self.loop(request, loop, problem=problem) if loop else self.site(request, problem=problem))
        who.note(new={"records": [record.number for record in made]})
        if len(made) == 1:
            return RedirectResponse(f"/records/{made[0].number}", status_code=303)
        return RedirectResponse(f"/totals?{request.url.query}", status_code=303)


def router(pages: TotalsPages) -> APIRouter:
    """The pages, the files, the forms and REST."""
    routes = APIRouter()

    @routes.get("/totals", include_in_schema=False)
    async def site(request: Request) -> Response:
        return await pages.site(request)

    @routes.get("/totals.csv", include_in_schema=False)
    async def site_file(request: Request) -> Response:
        return await pages.file(request, None)

    @routes.get("/loops/{loop}/totals", include_in_schema=False)
    async def loop_page(request: Request, loop: str) -> Response:
        return await pages.loop(request, loop)

    @routes.get("/loops/{loop}/totals.csv", include_in_schema=False)
    async def loop_file(request: Request, loop: str) -> Response:
        return await pages.file(request, loop)

    @routes.post("/totals/close", include_in_schema=False)
    async def close_form(request: Request) -> Response:
        return await pages.close(request)

    @routes.post("/totals/restate", include_in_schema=False)
    async def restate_form(request: Request) -> Response:
        return await pages.restate(request)

    @routes.get(
        "/api/v1/totals",
        summary="Tonnes of the loops in a period, 25 at a time, those that differ now first",
        responses=PROBLEMS,
    )
    async def totals(
        request: Request,
        kind: KindQuery = "day",
        period: PeriodQuery = None,
        begin: FromDay = None,
        to: ToDay = None,
        by: By = "day",
        page: PageNumber = 1,
        find: Find = "",
    ) -> schemas.TotalsOut:
        return await pages.rest(request, None)

    @routes.get("/api/v1/loops/{loop}/totals", summary="Tonnes of a loop in a period", responses=PROBLEMS)
    async def loop_totals(
        request: Request,
        loop: str,
        kind: KindQuery = "day",
        period: PeriodQuery = None,
        begin: FromDay = None,
        to: ToDay = None,
        by: By = "day",
    ) -> schemas.TotalsOut:
        return await pages.rest(request, loop)

    @routes.post(
        "/api/v1/loops/{loop}/totals/close", status_code=201, responses=PROBLEMS,
        summary="Close a period of a loop: its account becomes a numbered record",
    )  # fmt: skip
    async def close(loop: str, body: schemas.CloseIn) -> schemas.ClosedOut:
        known = pages.known(loop)
        with unprocessable():
            by, reason = author(body.by), reason_of(body.reason, needed=False)
        return await pages.made(lambda desk: desk.close(known, body.kind, body.period, by=by, reason=reason))

    @routes.post(
        "/api/v1/accounts/{number}/restate", status_code=201, responses=PROBLEMS,
        summary="Restate a closed period: a new record beside the old one, which stays as it is",
    )  # fmt: skip
    async def restate(number: int, body: schemas.RestateIn) -> schemas.ClosedOut:
        with unprocessable():
            by, reason = author(body.by), reason_of(body.reason)
        return await pages.made(lambda desk: desk.restate(number, by=by, reason=reason))

    return routes
