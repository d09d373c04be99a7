"""The calibration of a loop on a page: its ledger, runs chosen on the trend with windows that are moved, the factor anew, a record."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Path, Request
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from checks.commissioning.calibration_sum import Run
from collector.clock import Clock
from collector.commissioning.calibrating import (
    Calibration,
    booked_since,
    evaluated,
    gauge_facts,
    ledger_lines,
    notes_of_past,
    sentences,
    steady_run,
)
from collector.history.store import Store, Trend
from collector.live import LiveState
from collector.records.book import Record, RecordBook
from collector.records.calibration import content_of
from collector.records.content import told
from collector.web import calibration_answers as answers
from collector.web import record_answers
from collector.web.calibration_asked import Asked, AskedRun, asked
from collector.web.calibration_ledger import EXAMPLE, LedgerView, ledger_of
from collector.web.calibration_picture import Drawn, drawn, offers
from collector.web.forms import author, own_form, typed, unprocessable
from collector.web.pages import Pages
from collector.web.security import Guard
from config.errors import TallywireError

LoopName = Annotated[str, Path(description="name of the loop", examples=["TB-07"])]
POINTS, DAY_POINTS = 720, 3000
MARGIN = 0.06
"""What is drawn before and behind a run [parts of it]."""
DAY_S = 86_400


class CalibrationPages:
    """Reads the history, computes, and keeps a record where it is asked to; nothing is ever written to a gauge."""

    def __init__(
        self, pages: Pages, live: LiveState, store: Store | None, book: RecordBook | None, clock: Clock, guard: Guard
    ) -> None:
        self._pages, self._live, self._store, self._book, self._clock, self._guard = pages, live, store, book, clock, guard
        self._zone = ZoneInfo(live.site.time_zone)

    async def page(self, loop: str, query: Mapping[str, str], *, problem: TallywireError | None = None) -> Response:
        """The page as it was asked for; 404 for an unknown loop."""
        self.known(loop)
        found = asked(query, self._zone)
        outcome, pictures = await self._evaluate(loop, found)
        if problem is not None:
            found.problems.insert(0, problem)
        begin, end, day = self._day(found)
        trend = await self._flow(loop, begin, end, DAY_POINTS)
        last = self._live.evaluations.get(loop)
        return self._pages.render(
            "calibration.html",
            422 if found.problems else 200,
            loop_id=loop,
            title_of=self._live.site.loops[loop].title,
            asked=found,
            outcome=outcome,
            sentences=[] if outcome is None else sentences(outcome, self.zone),
            lines=[] if outcome is None else ledger_lines(outcome, self._live.site.time_zone),
            pictures=pictures,
            overview=drawn(trend, begin, end, self._zone),
            offers=offers(trend, self._live.site.loops[loop].gauge.range.high),
            day=day,
            ledger=self.ledger(loop),
            ledger_example=EXAMPLE,
            truth=[] if last is None else [item for item in last.results if item.check == "truth"],
            keeps=self._book is not None,
            stamp=lambda time_s: datetime.fromtimestamp(time_s, self._zone).strftime("%Y-%m-%dT%H:%M:%S"),
        )

    async def keep(self, loop: str, request: Request) -> Response:
        """Keep what was computed as a numbered record; to the record, or the page with what is wrong."""
        self.known(loop)
        form = await own_form(request, self._guard)
        try:
            by = author(form.get("name", ""))
            remarks = typed(form["remarks"], "the remarks", 400) if form.get("remarks", "").strip() else ""
            found = asked(form, self._zone)
            outcome, _ = await self._evaluate(loop, found)
            if found.problems:
                raise found.problems.pop(0)
            if outcome is None:
                raise TallywireError("no run with a known mass is there", fix="choose a run and type its mass")
            record = await run_in_threadpool(self.record, outcome, by, remarks)
        except TallywireError as problem:
            return await self.page(loop, form, problem=problem)
        return RedirectResponse(f"/records/{record.number}", status_code=303)

    def record(self, outcome: Calibration, by: str, remarks: str) -> Record:
        """The numbered record of an outcome."""
        if self._book is None:
            raise TallywireError("there is no history to keep the record in", fix="start the service with a data folder")
        try:
            content = content_of(
                outcome, self._live.site, self._live.site_sha256, by=by, now=self._clock.now(), remarks=remarks
            )
        except ValidationError as error:
            raise told(error, "calibration") from error
        return self._book.add(content)

    async def compute(self, loop: str, body: answers.CalibrationIn) -> Calibration:
        """The outcome for a program; TallywireError says what cannot be taken."""
        found = asked(answers.form_of(body), self._zone)
        outcome, _ = await self._evaluate(loop, found)
        if found.problems:
            raise found.problems[0]
        if outcome is None:
            raise TallywireError("a run lacks its mass", where="runs", fix="give each one a mass such as 251.3 t")
        return outcome

    def ledger(self, loop: str) -> LedgerView:
        """What the ledger file of the site says of a loop."""
        return ledger_of(self._live.site, loop)

    def known(self, loop: str) -> str:
        """A loop of the site; 404 for any other."""
        if loop not in self._live.site.loops:
            raise HTTPException(404, f"this site has no loop {loop!r}")
        return loop

    @property
    def zone(self) -> str:
        """The time zone of the site."""
        return self._live.site.time_zone

    @property
    def store(self) -> Store:
        """The history; 503 without one."""
        if self._store is None:
            reason = self._live.problems.get("history", "the service runs without one")
            raise HTTPException(503, f"there is no history: {reason}")
        return self._store

    async def _evaluate(self, loop: str, found: Asked) -> tuple[Calibration | None, list[Drawn]]:
        """Read every run; evaluate them once each has its mass. What is wrong goes to the problems."""
        site, pictures = self._live.site, []
        for run in found.runs:
            if not run.end > run.begin:
                continue
            try:
                read = await run_in_threadpool(
                    steady_run, site, loop, self.store, run.begin, run.end, window=run.window, name=f"run {run.number}"
                )
            except TallywireError as problem:
                found.problems.append(problem)
                continue
            run.read = read
            pictures.append(await self._picture(loop, run, read))
        known = [run.known(whole=found.whole) for run in found.runs]
        if not known or found.problems or any(one is None for one in known):
            return None, pictures
        whole = [one for one in known if one is not None]
        first = min(one.begin for one in whole)
        try:
            facts = gauge_facts(site, loop, whole[0].begin)
            booked, notes = None, list[str]()
            if found.since is not None:
                if not found.since < first:
                    raise TallywireError("this time does not lie before the first run", where="since", fix="an earlier one")
                booked = await run_in_threadpool(booked_since, self.store, loop, found.since, first)
                notes = await run_in_threadpool(notes_of_past, self.store, loop, found.since, self.zone)
        except TallywireError as problem:
            found.problems.append(problem)
            return None, pictures
        runs = [run.read for run in found.runs if run.read is not None]
        outcome = evaluated(
            loop, facts, whole, runs, scale_u=found.scale_percent / 100.0, tare_s=found.tare_s, since=found.since, booked=booked,
            notes=notes,
        )  # fmt: skip
        return outcome, pictures

    async def _picture(self, loop: str, run: AskedRun, read: Run) -> Drawn:
        margin = max(60.0, MARGIN * (run.end - run.begin))
        begin, end = int(run.begin - margin), int(run.end + margin)
        return drawn(await self._flow(loop, begin, end, POINTS), begin, end, self._zone, (read.begin, read.end))

    async def _flow(self, loop: str, begin: int, end: int, points: int) -> Trend:
        return await run_in_threadpool(self.store.trend, loop, "flow", begin, end, points)

    def _day(self, found: Asked) -> tuple[int, int, str]:
        """Begin and end of the day that is shown, the one of the last run, or that of now."""
        now = self._clock.now()
        text = found.fields.get("day", "")
        try:
            begin = datetime.fromisoformat(text[:10]).replace(tzinfo=self._zone).timestamp() if text else None
        except ValueError:
            begin = None
        if begin is None and found.runs and found.runs[-1].end > 0.0:
            last = datetime.fromtimestamp(found.runs[-1].begin, self._zone)
            begin = last.replace(hour=0, minute=0, second=0, microsecond=0).timestamp()
        if begin is None or not 0 <= begin < now:
            return int(now) - DAY_S, int(now), datetime.fromtimestamp(now, self._zone).date().isoformat()
        return int(begin), min(int(begin) + DAY_S, int(now)), datetime.fromtimestamp(begin, self._zone).date().isoformat()


def router(pages: CalibrationPages) -> APIRouter:
    """The page and REST."""
    routes = APIRouter()
    rest: dict[str, Any] = {"tags": ["commissioning"]}

    @routes.get("/loops/{loop}/calibration", include_in_schema=False)
    async def page(loop: LoopName, request: Request) -> Response:
        return await pages.page(loop, request.query_params)

    @routes.post("/loops/{loop}/calibration", include_in_schema=False)
    async def keep(loop: LoopName, request: Request) -> Response:
        return await pages.keep(loop, request)

    @routes.get("/api/v1/loops/{loop}/calibration", summary="What the ledger says of the calibration of a loop", **rest)
    async def ledger(loop: LoopName) -> answers.LedgerOut:
        """Tares, background, span runs and material tests, with the factor that each of them asks for."""
        return answers.ledger_out(pages.ledger(pages.known(loop)))

    @routes.post(
        "/api/v1/loops/{loop}/calibration", summary="A new factor from runs with known masses; nothing is kept", **rest
    )
    async def compute(loop: LoopName, body: answers.CalibrationIn) -> answers.CalibrationOut:
        """From the stored flow; a window that is not given is the steady part, without leading edge and tailings."""
        with unprocessable():
            return answers.calibration_out(await pages.compute(pages.known(loop), body), pages.zone)

    @routes.post("/api/v1/loops/{loop}/calibration/record", status_code=201, summary="The same as a numbered record", **rest)
    async def record(loop: LoopName, body: answers.CalibrationRecordIn) -> record_answers.RecordOut:
        """Computed again from the stored flow, then chained; nothing is written to a gauge."""
        with unprocessable():
            by = author(body.by)
            outcome = await pages.compute(pages.known(loop), body)
            return record_answers.record(await run_in_threadpool(pages.record, outcome, by, body.remarks))

    return routes
