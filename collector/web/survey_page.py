"""The survey on a page and over REST: begin one, see how far it is, read what the last one found."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from collector.commissioning.registers import RATE
from collector.commissioning.survey_desk import MOST_RATE, RUNNING, SurveyDesk
from collector.live import LiveState
from collector.web.forms import author, own_form, unprocessable
from collector.web.pages import Pages
from collector.web.security import Guard
from collector.web.survey_answers import SurveyIn, SurveyOut, SurveyReportOut, report_out, survey_out
from config.errors import TallywireError

LEAST_SHOWN_S = 1.0
MOST_LOOPS = 25
"""Of more loops only those are shown in which something is to be seen."""


class SurveyPages:
    """Shows the survey and moves it."""

    def __init__(self, pages: Pages, live: LiveState, desk: SurveyDesk, guard: Guard) -> None:
        self._pages, self._live, self.desk, self._guard = pages, live, desk, guard

    def page(self, *, problem: TallywireError | None = None, said: Mapping[str, str] | None = None) -> Response:
        """The survey where it stands, the form to begin one, and what the last one found."""
        standing, kept = self.desk.standing, self.desk.last()
        last = None if kept is None else report_out(kept)
        return self._pages.render(
            "survey.html",
            200 if problem is None else 422,
            standing=standing,
            running=standing.stage in RUNNING,
            left_s=max(standing.left_s, LEAST_SHOWN_S),
            last=last,
            made=0.0 if kept is None else kept["made"],
            agreed_by={} if kept is None else kept["agreed_by"],
            extra={} if kept is None else {(item["loop"], item["role"]): item for item in kept["tags"]},
            shown=[] if last is None else _shown(last),
            odd=[] if last is None else [item for item in last.tags if item.odd],
            problem=problem,
            said=said or {},
            rate=RATE,
            most_rate=MOST_RATE,
        )

    async def act(self, request: Request) -> Response:
        """Begin or stop one by a form."""
        form = await own_form(request, self._guard)
        if form.get("step") == "stop":
            await self.desk.stop()
            return RedirectResponse("/survey", status_code=303)
        try:
            self.desk.begin(
                by=author(form.get("name", "")), loop=form.get("loop", ""), rate=_rate(form.get("rate", "")),
                borrow=form.get("borrow") == "yes",
            )  # fmt: skip
        except TallywireError as problem:
            return self.page(problem=problem, said=form)
        await asyncio.sleep(0)
        return RedirectResponse("/survey", status_code=303)

    def answer(self) -> SurveyOut:
        """The survey as REST gives it."""
        return survey_out(self.desk.standing, self.desk.last())


def _shown(last: SurveyReportOut) -> list[str]:
    """The loops that the page shows."""
    names = list(last.agreed_flow_t_h)
    if len(names) <= MOST_LOOPS:
        return names
    noted = {item.loop for item in last.tags if item.odd} | {hint.loop for hint in last.hints if hint.wrong}
    return [name for name in names if name in noted][:MOST_LOOPS]


def _rate(text: str) -> float:
    try:
        return float(text.strip().replace(",", ".") or RATE)
    except ValueError:
        raise TallywireError(f"{text!r} is no number of requests a second", where="rate", fix="such as 2") from None


def router(pages: SurveyPages) -> APIRouter:
    """The page and REST."""
    routes = APIRouter()
    rest: dict[str, Any] = {"tags": ["survey"]}

    @routes.get("/survey", include_in_schema=False)
    async def page() -> Response:
        return pages.page()

    @routes.post("/survey", include_in_schema=False)
    async def act(request: Request) -> Response:
        return await pages.act(request)

    @routes.get("/api/v1/survey", summary="The survey: how far it is, and what the last one found", **rest)
    async def state() -> SurveyOut:
        """Stage `none` where none was begun since the service started; the last report stays over a restart."""
        return pages.answer()

    @routes.post(
        "/api/v1/survey", status_code=202, summary="Begin a survey: every tag read once, slowly, with its neighbours", **rest
    )
    async def begin(body: SurveyIn) -> SurveyOut:
        """Nothing is written to a device. While connections are lent, the loops are not verified. Ask again until the stage is `done`."""
        with unprocessable():
            pages.desk.begin(by=author(body.by), loop=body.loop, rate=body.rate, borrow=body.borrow)
        return pages.answer()

    @routes.post("/api/v1/survey/stop", summary="Stop the survey that runs", **rest)
    async def stop() -> SurveyOut:
        """Its connections go back at once; what it had read is not kept."""
        await pages.desk.stop()
        return pages.answer()

    return routes
