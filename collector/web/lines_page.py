"""The lines of a loop's chain as pictures, one for each pair of stations that is compared; the same over REST."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, HTTPException
from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, Response

from checks.lines import Line, chain
from checks.result import CheckResult
from collector.clock import Clock
from collector.history.store import Store, Trend
from collector.live import LiveState
from collector.web import answers, fit_plot
from collector.web.pages import Pages
from collector.web.schemas import Answer, Link, Loop, VerdictName
from collector.web.words import finite

SPAN_S = 6 * 3600
POINTS = 360


class LineOut(Answer):
    """One line: what a station shows over what the station before it demands, both in t/h, and what was fitted to it.

    `time`, `x_t_h` and `y_t_h` are means of some minutes over the last six hours; `numbers` the parameters of the fit with its
    verdict, each with unit and standard error where they have one.
    """

    loop: Loop
    link: Link
    label: str = Field(examples=["input card to PLC flow"])
    x_role: str = Field(examples=["ai_raw"])
    y_role: str = Field(examples=["plc_flow"])
    verdict: VerdictName
    sentence: str = Field(examples=["PLC flow = 0.9524 × raw counts + 0.00 t/h."])
    limit_span: float = Field(description="fault limit, % of span", examples=[0.5])
    facts: dict[str, float] = Field(examples=[{"gain": -0.0476, "offset": 0.0, "pivot": 0.0, "pivot_ma": 4.0}])
    time: list[str] = Field(examples=[["2026-03-02T13:05:00Z"]])
    x_t_h: list[float] = Field(examples=[[260.0]])
    y_t_h: list[float] = Field(examples=[[247.6]])


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A line with what was judged of it, what is stored of both stations, and its picture."""

    line: Line
    result: CheckResult
    x: Trend
    y: Trend
    picture: fit_plot.FitPicture


class LinesPage:
    """Pairs the stored means of both stations of each line and puts them beside what was fitted."""

    def __init__(self, pages: Pages, live: LiveState, store: Store | None, clock: Clock) -> None:
        self._pages, self._live, self._store, self._clock = pages, live, store, clock

    async def page(self, loop: str) -> HTMLResponse:
        """The page; 404 where the site has no such loop, 503 without a history."""
        drawn = await self._drawn(loop)
        pictures = [(item.line, item.result, item.picture) for item in drawn]
        return self._pages.render("lines.html", loop_id=loop, pictures=pictures, span_s=SPAN_S)

    async def rest(self, loop: str) -> list[LineOut]:
        """The same for programs."""
        limit = self._live.site.loops[loop].limits.link.fault if loop in self._live.site.loops else 0.0
        return [_out(loop, item, limit) for item in await self._drawn(loop)]

    async def _drawn(self, loop: str) -> list[Drawn]:
        if loop not in self._live.site.loops:
            raise HTTPException(404, f"this site has no loop {loop!r}")
        if self._store is None:
            reason = self._live.problems.get("history", "the service runs without one")
            raise HTTPException(503, f"there is no history: {reason}")
        plant, evaluation = self._live.site.loops[loop], self._live.evaluations.get(loop)
        end = int(self._clock.now())
        found = []
        for line in chain(plant):
            results = () if evaluation is None else evaluation.results
            result = next((item for item in results if item.check == "scaling" and item.link is line.link), None)
            if result is None:
                continue
            x, y = [
                await run_in_threadpool(self._store.trend, loop, role, end - SPAN_S, end, POINTS)
                for role in (line.x_role, line.y_role)
            ]
            picture = fit_plot.draw(line, result, x, y, plant.limits.link.fault)
            if picture is not None:
                found.append(Drawn(line=line, result=result, x=x, y=y, picture=picture))
        return found


def _out(loop: str, item: Drawn, limit: float) -> LineOut:
    times, across, up = fit_plot.paired(item.line, item.x, item.y)
    facts = {name: value for name, value in item.result.facts.items() if finite(value) is not None}
    return LineOut(
        loop=loop, link=item.line.link.value, label=item.line.label, x_role=item.line.x_role, y_role=item.line.y_role,
        verdict=item.result.verdict.value, sentence=item.picture.sentence, limit_span=limit, facts=facts,
        time=[answers.time_of(second) for second in times.tolist()], x_t_h=across.tolist(), y_t_h=up.tolist(),
    )  # fmt: skip


def router(lines: LinesPage) -> APIRouter:
    """The routes of the page and of REST."""
    routes = APIRouter()

    @routes.get("/loops/{loop}/lines", include_in_schema=False)
    async def page(loop: str) -> Response:
        return await lines.page(loop)

    @routes.get("/api/v1/loops/{loop}/lines", summary="The lines of a loop's chain: points and fit")
    async def rest(loop: str) -> list[LineOut]:
        return await lines.rest(loop)

    return routes
