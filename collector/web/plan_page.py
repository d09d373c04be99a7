"""The plan of the day a gauge is put in service and the inventory of the sources, on pages to print and over REST."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Path, Query, Request
from starlette.responses import Response

from checks.commissioning.inventory import activity_words, inventory, overdue
from collector.clock import Clock
from collector.commissioning import plan as planning
from collector.commissioning.plan import Plan, flow_of, make_plan
from collector.live import LiveState
from collector.web import plan_answers as answers
from collector.web.forms import unprocessable
from collector.web.pages import LOOPS_A_PAGE, Pages
from collector.web.paging import Find, PageNumber, fits, part_of
from config.errors import TallywireError

LoopName = Annotated[str, Path(description="name of the loop", examples=["TB-07"])]
Day = Annotated[str, Query(max_length=20, description="the day of the work; today where empty", examples=["2027-03-01"])]
Wanted = Annotated[
    str, Query(max_length=40, description="uncertainty of zero and background aimed at, k = 2", examples=["2 t/h"])
]
SpanWanted = Annotated[str, Query(max_length=20, description="uncertainty of a span run, k = 2 [%]", examples=["0.25"])]
Noise = Annotated[str, Query(max_length=40, description="noise at full load at which the source is due", examples=["12 t/h"])]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What a plan is asked for: its day, the uncertainties aimed at ([t/h], [%]) and the noise limit [t/h]; None: the usual."""

    day: date
    wanted: float | None = None
    span: float = planning.WANTED_SPAN_PERCENT
    noise: float | None = None


class PlanPages:
    """Shows plans and sources; nothing is stored."""

    def __init__(self, pages: Pages, live: LiveState, clock: Clock) -> None:
        self._pages, self._live, self._clock = pages, live, clock
        self._zone = ZoneInfo(live.site.time_zone)

    def site(self, query: Mapping[str, str], number: int, find: str) -> Response:
        """The loops with their times, some at a time."""
        wishes, problem = self._asked(query)
        loops = self._live.site.loops
        part = part_of([name for name, loop in loops.items() if fits(find, name, loop.title)], number, LOOPS_A_PAGE, find)
        return self._pages.render(
            "plans.html",
            200 if problem is None else 422,
            part=part,
            plans=[(name, *self.of(name, wishes)) for name in part.items],
            asked=query,
            wishes=wishes,
            problem=problem,
            planning=planning,
        )

    def loop(self, loop: str, query: Mapping[str, str]) -> Response:
        """The plan of one loop; 404 for an unknown one."""
        known = self.known(loop)
        wishes, problem = self._asked(query)
        plan, lacks = self.of(known, wishes)
        return self._pages.render(
            "plan.html",
            200 if problem is None else 422,
            loop_id=known,
            title_of=self._live.site.loops[known].title,
            plan=plan,
            lacks=lacks,
            asked=query,
            wishes=wishes,
            problem=problem,
            planning=planning,
        )

    def sources(self, query: Mapping[str, str]) -> Response:
        """The inventory of the sources."""
        problem: TallywireError | None = None
        try:
            day = self.day(query.get("day", ""))
        except TallywireError as wrong:
            problem, day = wrong, self.day("")
        lines, without = inventory(self._live.site.loops, day)
        return self._pages.render(
            "sources.html", 200 if problem is None else 422, lines=lines, without=without, day=day, problem=problem,
            activity_words=activity_words, overdue=overdue(self._live.site.loops, day),
        )  # fmt: skip

    def rest_sources(self, day_text: str) -> answers.SourcesOut:
        """The inventory for programs."""
        with unprocessable():
            day = self.day(day_text)
        return answers.sources_out(day.isoformat(), *inventory(self._live.site.loops, day))

    def of(self, loop: str, wishes: Wishes) -> tuple[Plan | None, str]:
        """The plan of a loop, or what its site file lacks."""
        day_s = datetime(wishes.day.year, wishes.day.month, wishes.day.day, tzinfo=UTC).timestamp()
        try:
            return make_plan(
                self._live.site, loop, day_s, wanted=wishes.wanted, wanted_span=wishes.span, noise=wishes.noise
            ), ""
        except TallywireError as error:
            return None, error.what

    def wishes(self, query: Mapping[str, str]) -> Wishes:
        """What is asked for; TallywireError where it cannot be."""
        span = query.get("span", "").strip().removesuffix("%").replace(",", ".")
        try:
            percent = float(span) if span else planning.WANTED_SPAN_PERCENT
        except ValueError:
            percent = 0.0
        if not 0.0 < percent <= 100.0:
            raise TallywireError("the uncertainty of a span run is no number above 0", where="span", fix="such as 0.25")
        return Wishes(
            day=self.day(query.get("day", "")), wanted=flow_of(query.get("uncertainty", ""), "uncertainty"), span=percent,
            noise=flow_of(query.get("noise", ""), "noise"),
        )  # fmt: skip

    def day(self, text: str) -> date:
        """A day that somebody typed, the local one of the site where nothing was."""
        if not text.strip():
            return datetime.fromtimestamp(self._clock.now(), self._zone).date()
        try:
            day = date.fromisoformat(text.strip())
        except ValueError:
            raise TallywireError(f"{text!r} is no day", where="day", fix="write it as 2027-03-01") from None
        if not 1970 <= day.year <= 2200:
            raise TallywireError(f"{text} is too far away", where="day", fix="a day from 1970 to 2200")
        return day

    def known(self, loop: str) -> str:
        """A loop of the site; 404 for any other."""
        if loop not in self._live.site.loops:
            raise HTTPException(404, f"this site has no loop {loop!r}")
        return loop

    def names(self) -> list[str]:
        """Every loop."""
        return list(self._live.site.loops)

    def _asked(self, query: Mapping[str, str]) -> tuple[Wishes, TallywireError | None]:
        try:
            return self.wishes(query), None
        except TallywireError as problem:
            return Wishes(day=self.day("")), problem


def router(pages: PlanPages) -> APIRouter:
    """The pages and REST."""
    routes = APIRouter()
    rest: dict[str, Any] = {"tags": ["commissioning"]}

    @routes.get("/plan", include_in_schema=False)
    async def site(request: Request, number: PageNumber = 1, find: Find = "") -> Response:
        return pages.site(request.query_params, number, find)

    @routes.get("/loops/{loop}/plan", include_in_schema=False)
    async def loop_page(loop: LoopName, request: Request) -> Response:
        return pages.loop(loop, request.query_params)

    @routes.get("/sources", include_in_schema=False)
    async def sources(request: Request) -> Response:
        return pages.sources(request.query_params)

    @routes.get("/api/v1/plans", summary="Every loop with its times of commissioning, or what its site file lacks", **rest)
    async def plans(
        request: Request, day: Day = "", uncertainty: Wanted = "", span: SpanWanted = "", noise: Noise = ""
    ) -> list[answers.PlanLineOut]:
        with unprocessable():
            wishes = pages.wishes(request.query_params)
        return [answers.line_out(name, *pages.of(name, wishes)) for name in pages.names()]

    @routes.get("/api/v1/loops/{loop}/plan", summary="The plan of the day a gauge is put in service", **rest)
    async def plan(
        request: Request, loop: LoopName, day: Day = "", uncertainty: Wanted = "", span: SpanWanted = "", noise: Noise = ""
    ) -> answers.PlanOut:
        with unprocessable():
            found, lacks = pages.of(pages.known(loop), pages.wishes(request.query_params))
        if found is None:
            raise HTTPException(409, lacks)
        return answers.plan_out(found)

    @routes.get("/api/v1/sources", summary="The sources of the site, today's activity, and what is due", **rest)
    async def inventory_(day: Day = "") -> answers.SourcesOut:
        return pages.rest_sources(day)

    return routes
