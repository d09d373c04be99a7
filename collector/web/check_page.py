"""The guided loop check on a page, and its twins over REST."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Path, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from checks.result import Link
from collector.commissioning.check_desk import CheckDesk
from collector.commissioning.check_run import CheckRun, Method, Stage, performances
from collector.commissioning.walking import WHERE
from collector.live import LiveState
from collector.records.book import RecordBook
from collector.records.content import head_of, plain
from collector.records.loop_check import LoopCheck, Point, Station, series
from collector.web import record_answers
from collector.web.forms import author, own_form, reason_of, typed, unprocessable
from collector.web.pages import Pages
from collector.web.security import Guard
from config.errors import TallywireError

LoopName = Annotated[str, Path(description="name of the loop", examples=["TB-07"])]
MOST_WALKS = 10


class LoopCheckOut(BaseModel):
    """A loop check on its way."""

    model_config = ConfigDict(json_schema_extra={"examples": [{
        "loop": "TB-07", "stage": "as found", "method": "calibrator", "by": "R. Ortega", "point": 3, "points": 9, "percent": 50.0,
        "direction": "up", "aim": 12.0, "unit": "mA",
    }]})  # fmt: skip

    loop: str
    stage: str
    method: str
    by: str
    point: int = Field(description="number of the next point of this walk, or of all where none is due")
    points: int
    percent: float | None
    direction: str | None
    aim: float | None = Field(description="what the first station is to show")
    unit: str


class Step(BaseModel):
    """One step of a loop check, with what it needs; the fields are those of the page."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [
        {"step": "begin", "method": "calibrator", "name": "R. Ortega", "points": "0,25,50,75,100", "walks": "1", "uncertainty": "0.01"},
        {"step": "capture", "current": "12.003"},
    ]})  # fmt: skip

    step: Literal["begin", "capture", "anyway", "undo", "adjust", "again", "give-up"]
    method: str = ""
    name: str = ""
    points: str = "0,25,50,75,100"
    walks: str = "1"
    uncertainty: str = "0.01"
    current: str = ""
    side: str = ""
    setting: str = ""
    unit: str = ""
    before: str = ""
    after: str = ""
    reason: str = ""


class CheckPages:
    """Shows and moves the loop checks."""

    def __init__(self, pages: Pages, live: LiveState, desk: CheckDesk, book: RecordBook | None, guard: Guard) -> None:
        self._pages, self._live, self.desk, self.book, self._guard = pages, live, desk, book, guard

    async def page(self, loop: str, *, problem: TallywireError | None = None, waiting: str = "") -> Response:
        """The check where it stands, or the form to begin one."""
        self.known(loop)
        run = self.desk.run(loop)
        walked = (
            [] if run is None else [(stage, run.series(stage), performances(run, stage)) for stage in (Stage.FOUND, Stage.LEFT)]
        )
        return self._pages.render(
            "check.html",
            200 if problem is None else 422,
            loop_id=loop,
            run=run,
            walked=[item for item in walked if item[1] is not None],
            shown={} if run is None else self._now(run),
            where=WHERE,
            problem=problem,
            waiting=waiting,
        )

    async def act(self, loop: str, request: Request) -> Response:
        """One step of the check by a form; to the page, or to the record at its end."""
        self.known(loop)
        form = await own_form(request, self._guard)
        try:
            return await self._act(loop, form)
        except TallywireError as problem:
            return await self.page(loop, problem=problem)

    async def _act(self, loop: str, form: dict[str, str]) -> Response:
        waiting = await self.step(loop, form)
        if waiting:
            return await self.page(loop, waiting=waiting)
        if form.get("step") == "finish":
            record = await run_in_threadpool(self.desk.finish, loop)
            return RedirectResponse(f"/records/{record.number}", status_code=303)
        return RedirectResponse(f"/loops/{loop}/check", status_code=303)

    async def step(self, loop: str, form: dict[str, str]) -> str:
        """One step; returns what does not stand still yet, empty where the step is done."""
        step = form.get("step", "")
        if step == "begin":
            self._begin(loop, form)
        elif step in ("capture", "anyway"):
            found = await self.desk.capture(loop, _current(form.get("current", "")), anyway=step == "anyway")
            return "" if found.still or step == "anyway" else found.why
        elif step == "undo":
            self.desk.undo(loop)
        elif step == "adjust":
            self.desk.adjust(
                loop, side=form.get("side", ""), setting=typed(form.get("setting", ""), "the setting", 80), unit=form.get("unit", "")[:20],
                before=form.get("before", ""), after=form.get("after", ""), reason=reason_of(form.get("reason", "")),
            )  # fmt: skip
        elif step == "again":
            self.desk.walk_again(loop)
        elif step == "give-up":
            self.desk.give_up(loop)
        elif step != "finish":
            raise TallywireError("this step is not known", fix="use the buttons of the page")
        return ""

    def _begin(self, loop: str, form: dict[str, str]) -> None:
        by = author(form.get("name", ""))
        try:
            percents = [float(part) for part in form.get("points", "").replace(";", ",").split(",")]
            walks = int(form.get("walks", "1"))
            uncertainty = float(form.get("uncertainty", "0.01").replace(",", "."))
        except ValueError:
            raise TallywireError(
                "points, walks or uncertainty are no numbers", fix="such as 0,25,50,75,100 and 1 and 0.01"
            ) from None
        if not 1 <= walks <= MOST_WALKS or not 0.0 <= uncertainty <= 1.0:
            raise TallywireError(f"walks are 1 to {MOST_WALKS}, the uncertainty 0 to 1 mA", fix="such as 1 and 0.01")
        method = next((item for item in Method if item.value == form.get("method")), None)
        if method is None:
            raise TallywireError("the method is missing", fix="choose calibrator or test-mode")
        self.desk.begin(loop, method, by=by, percents=percents, cycles=walks, calibrator_u=uncertainty)

    def _now(self, run: CheckRun) -> dict[str, float | None]:
        """What the stations show now, by role."""
        out: dict[str, float | None] = {}
        for role in run.roles:
            reading = self._live.readings.get((run.loop, role))
            out[role] = reading.value if reading is not None and reading.usable else None
        return out

    def known(self, loop: str) -> str:
        """A loop of the site; 404 for any other."""
        if loop not in self._live.site.loops:
            raise HTTPException(404, f"this site has no loop {loop!r}")
        return loop


def _current(text: str) -> float | None:
    if not text.strip():
        return None
    try:
        current = float(text.replace(",", "."))
    except ValueError:
        current = -1.0
    if not 0.0 <= current <= 24.0:
        raise TallywireError(f"{text!r} is no current of this loop", fix="type it in mA, such as 12.003")
    return current


def answer(loop: str, run: CheckRun | None) -> LoopCheckOut:
    """A check as REST gives it; stage `none` where none is on its way."""
    if run is None:
        return LoopCheckOut(
            loop=loop, stage="none", method="", by="", point=0, points=0, percent=None, direction=None, aim=None, unit=""
        )
    target = run.target
    return LoopCheckOut(
        loop=run.loop, stage=run.stage.value, method=run.method.value, by=run.by, point=min(len(run.points) + 1, len(run.targets)),
        points=len(run.targets), percent=None if target is None else target.percent, direction=None if target is None else target.direction,
        aim=None if target is None else run.aim(target), unit=run.stations[0].unit,
    )  # fmt: skip


def example() -> dict[str, Any]:
    """A small loop check, as one is sent: two points of a chain of two stations."""
    stations = (
        Station(name="calibrator", link=None, unit="mA", low=4.0, high=20.0, uncertainty=0.01, read_by="typed by hand"),
        Station(
            name="scaling block", link=Link.SCALING_BLOCK, unit="t/h", low=0.0, high=420.0, uncertainty=0.21, read_by="PLC"
        ),
    )
    points = (
        Point(target=0.0, direction="up", shown=(4.0, 0.0)),
        Point(target=100.0, direction="up", shown=(20.0, 420.2)),
    )
    made = 1_803_877_200.0
    head = head_of("potash-terminal", "Potash export terminal (invented)", "UTC", "", ["TB-07"])
    check = LoopCheck(
        **head, made=made, by="R. Ortega", method="current sent into the input card by a calibrator", stations=stations,
        as_found=series(stations, points, begun=made),
    )  # fmt: skip
    return plain(check)


def router(pages: CheckPages) -> APIRouter:
    """The pages and REST."""
    routes = APIRouter()
    rest: dict[str, Any] = {"tags": ["loop checks"]}

    @routes.get("/loops/{loop}/check", include_in_schema=False)
    async def page(loop: LoopName) -> Response:
        return await pages.page(loop)

    @routes.post("/loops/{loop}/check", include_in_schema=False)
    async def act(loop: LoopName, request: Request) -> Response:
        return await pages.act(loop, request)

    @routes.get("/api/v1/loops/{loop}/check", summary="The loop check of a loop that is on its way", **rest)
    async def state(loop: LoopName) -> LoopCheckOut:
        """Its stage and the next point; stage `none` where none is on its way."""
        run = pages.desk.run(pages.known(loop))
        return answer(loop, run)

    @routes.post("/api/v1/loops/{loop}/check", summary="One step of a loop check", **rest)
    async def step(loop: LoopName, body: Step) -> LoopCheckOut:
        """Begin, capture the next point, take one back, note an adjustment, walk again, give up; a capture waits until all stands still."""
        pages.known(loop)
        with unprocessable():
            waiting = await pages.step(loop, body.model_dump())
        if waiting:
            raise HTTPException(409, f"it does not stand still yet: {waiting}")
        run = pages.desk.run(loop)
        return answer(loop, run)

    @routes.post("/api/v1/loops/{loop}/check/finish", status_code=201, summary="Number the record of a loop check", **rest)
    async def finish(loop: LoopName) -> record_answers.RecordOut:
        """The check must be complete; it ends with this."""
        pages.known(loop)
        with unprocessable():
            return record_answers.record(await run_in_threadpool(pages.desk.finish, loop))

    @routes.post(
        "/api/v1/loop-checks", status_code=201, summary="Number the record of a loop check that was made elsewhere", **rest
    )
    async def record(body: LoopCheck) -> record_answers.RecordOut:
        """The content is checked as that of every record is; where people sign in it is theirs who send it."""
        if pages.book is None:
            raise HTTPException(503, "there is no history")
        with unprocessable():
            signed = body.model_copy(update={"by": author(body.by)})
        return record_answers.record(await run_in_threadpool(pages.book.add, signed))

    return routes
