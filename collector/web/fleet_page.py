"""The loops of the site compared over some days, the worst first, on a page and over REST."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Query
from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, Response

from collector.clock import Clock
from collector.history.hour_rows import By, FleetLine
from collector.history.store import Store
from collector.live import LiveState
from collector.local_days import local_day, midnight
from collector.web.pages import Pages
from collector.web.schemas import Answer, Loop

MOST = 500
WORDS = {
    By.DIVERGENCE: "PLC totalizer against gauge totalizer",
    By.UPTIME: "share of the time that was measured",
    By.RATE: "PLC flow against gauge flow",
    By.FINDINGS: "alerts raised",
}

From = Annotated[
    str, Query(alias="from", max_length=20, description="first local day; empty: of this month", examples=["2027-03-01"])
]
To = Annotated[
    str, Query(alias="to", max_length=20, description="local day after the last; empty: tomorrow", examples=["2027-04-01"])
]
Ranked = Annotated[By, Query(description="what loops are compared by", examples=["divergence"])]
Top = Annotated[int, Query(ge=1, le=MOST, description="so many loops at most", examples=[50])]


class FleetOut(Answer):
    """A loop over the days asked for."""

    loop: Loop
    divergence_percent: float | None = Field(
        description="PLC totalizer against gauge totalizer; null where too little passed", examples=[-4.8]
    )
    rate_percent: float | None = Field(description="PLC flow against gauge flow", examples=[-4.76])
    measured_percent: float = Field(description="share of the time with a usable gauge flow", examples=[98.5])
    findings: int = Field(description="alerts raised", examples=[2])
    gauge_t: float = Field(description="tonnes by the gauge totalizer", examples=[20160.4])
    plc_t: float = Field(description="tonnes by the PLC totalizer", examples=[19192.7])


@dataclass(frozen=True, slots=True)
class Asked:
    """Days and order that are asked for: local days, `end` behind the last."""

    by: By
    begin: date
    end: date
    top: int


class FleetPage:
    """Asks the history once for all loops."""

    def __init__(self, pages: Pages, live: LiveState, store: Store | None, clock: Clock) -> None:
        self._pages, self._live, self._store, self._clock = pages, live, store, clock
        self._zone = ZoneInfo(live.site.time_zone)

    async def page(self, by: By, begin: str, end: str, top: int) -> HTMLResponse:
        """The page; days that cannot be read give this month, and say so."""
        problem = ""
        try:
            asked = self._asked(by, begin, end, top)
        except HTTPException as error:
            asked, problem = self._asked(by, "", "", top), str(error.detail)
        lines = await self._lines(asked)
        return self._pages.render(
            "fleet.html", 422 if problem else 200, asked=asked, lines=lines, ways=WORDS, problem=problem,
            total=len(self._live.site.loops),
        )  # fmt: skip

    async def rest(self, by: By, begin: str, end: str, top: int) -> list[FleetOut]:
        """The same for programs."""
        return [
            FleetOut(
                loop=line.loop, divergence_percent=line.divergence, rate_percent=line.rate, measured_percent=line.uptime,
                findings=line.findings, gauge_t=line.gauge_t, plc_t=line.plc_t,
            )
            for line in await self._lines(self._asked(by, begin, end, top))
        ]  # fmt: skip

    def _asked(self, by: By, begin: str, end: str, top: int) -> Asked:
        today = local_day(self._clock.now(), self._zone)
        first, behind = self._day(begin) or today.replace(day=1), self._day(end) or today + timedelta(days=1)
        if behind <= first:
            raise HTTPException(422, "the time does not end after it begins: `to` is the day after the last")
        return Asked(by, first, behind, top)

    def _day(self, text: str) -> date | None:
        try:
            return date.fromisoformat(text) if text else None
        except ValueError:
            raise HTTPException(422, f"{text!r} is no day: write it as 2027-03-01") from None

    async def _lines(self, asked: Asked) -> list[FleetLine]:
        if self._store is None:
            reason = self._live.problems.get("history", "the service runs without one")
            raise HTTPException(503, f"there is no history: {reason}")
        begin, end = midnight(asked.begin, self._zone), midnight(asked.end, self._zone)
        until = min(end, max(begin + 3600, int(self._clock.now())))
        return await run_in_threadpool(self._store.fleet, asked.by, begin, until, asked.top)


def router(fleet: FleetPage) -> APIRouter:
    """The routes of the page and of REST."""
    routes = APIRouter()

    @routes.get("/fleet", include_in_schema=False)
    async def page(by: Ranked = By.DIVERGENCE, begin: From = "", end: To = "", top: Top = 50) -> Response:
        return await fleet.page(by, begin, end, top)

    @routes.get("/api/v1/fleet", summary="The loops of the site compared over some days, the worst first")
    async def rest(by: Ranked = By.DIVERGENCE, begin: From = "", end: To = "", top: Top = 50) -> list[FleetOut]:
        return await fleet.rest(by, begin, end, top)

    return routes
