"""Verify a file: drop an export, say what its columns are, answer the rest, read the verdict. On a page and over REST."""

from __future__ import annotations

from pathlib import PurePath
from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Path, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.responses import RedirectResponse, Response

from checks.result import Verdict
from collector.exports.answers import QUESTIONS
from collector.exports.asking import still_needed_of
from collector.exports.held import held_answer
from collector.exports.jobs import Job, Jobs, State
from collector.exports.lines import MOST_BYTES
from collector.web.forms import require_own, unprocessable
from collector.web.renders import Renders
from collector.web.security import Guard
from config.errors import TallywireError
from config.roles import ROLES

PIECE = 1 << 20
Key = Annotated[str, Path(description="key of the export, as it was given", examples=["u3T0kq9VbGk2Zw1x"])]


class ExportOut(BaseModel):
    """An export that was sent: how far it is, what was understood, and the report once it is done."""

    model_config = ConfigDict(json_schema_extra={"examples": [{
        "key": "u3T0kq9VbGk2Zw1x", "name": "march.csv", "state": "asking", "problem": "", "columns": ["Massflow", "PLC flow"],
        "guesses": {"Massflow": "flow, t/h"}, "understood": ["read: 86,400 rows"],
    }]})  # fmt: skip

    key: str
    name: str
    state: str = Field(description="reading, asking, verifying, done or failed")
    problem: str
    columns: list[str]
    guesses: dict[str, str] = Field(description="role and unit of the columns that look like a tag")
    understood: list[str]
    lost: list[str] = Field(default=[], description="what is not known because only changes were stored, by the answers")
    report: dict[str, Any] | None = Field(default=None, description="the object of `tallywire replay --schema`")


class AnswersIn(BaseModel):
    """The six answers: `columns` gives each column its role and unit, the others are texts as on the page."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{
        "columns": {"Massflow": "flow, t/h", "PLC flow": "plc_flow, t/h"}, "gauge_range": "0 to 420 t/h", "plc_range": "0 to 420 t/h",
        "raw_span": "", "filters": "10 and 0", "zone": "UTC",
    }]})  # fmt: skip

    columns: dict[str, str]
    gauge_range: str
    plc_range: str = ""
    raw_span: str = ""
    filters: str = ""
    zone: str = ""
    kept: str = Field(default="", description="what the recorder stored where columns look held; `none`: every reading")


class VerifyPages:
    """Takes exports and shows what became of them."""

    def __init__(self, pages: Renders, jobs: Jobs, guard: Guard) -> None:
        self._pages, self.jobs, self._guard = pages, jobs, guard

    async def page(self, job: Job | None, *, problem: TallywireError | None = None) -> Response:
        """The form to send a file, or an export where it stands."""
        found = problem or (None if job is None else job.problem)
        return self._pages.render(
            "verify.html",
            200 if problem is None else 422,
            job=job,
            working=job is not None and job.state in (State.READING, State.VERIFYING),
            problem=found,
            questions=[
                question for question in QUESTIONS[1:] if question.key != "kept" or (job and job.read and job.read.held)
            ],
            usual={"filters": "10 and 0", "zone": "UTC", "raw_span": "0 to 27648", "kept": _looks(job)},
            roles=ROLES,
            guessed={} if job is None or job.read is None else _guesses(job),
            loops=[] if job is None or job.report is None else job.report["loops"],
            verdicts={verdict.value: verdict for verdict in Verdict},
            needed=[] if job is None or job.report is None else still_needed_of(job.answers["columns"]),
            most_mb=MOST_BYTES // 1_000_000,
        )

    async def send(self, request: Request) -> Response:
        """Take a file by a form."""
        async with request.form(max_files=1, max_fields=4) as form:
            require_own(form, self._guard)
            file = form.get("file")
            if not isinstance(file, UploadFile) or not file.filename:
                return await self.page(None, problem=TallywireError("no file was chosen", fix="choose the exported file"))
            job = self.jobs.begin(PurePath(file.filename.replace("\\", "/")).name)
            with job.file.open("wb") as out:
                while piece := await file.read(PIECE):
                    await run_in_threadpool(out.write, piece)
        self.jobs.read(job)
        return RedirectResponse(f"/verify/{job.key}", status_code=303)

    async def answer(self, key: str, request: Request) -> Response:
        """Take the answers by a form."""
        job = self.known(key)
        async with request.form(max_fields=500) as form:
            fields = {name: value for name, value in form.items() if isinstance(value, str)}
        require_own(fields, self._guard)
        columns = {}
        for place, name in enumerate(job.read.columns if job.read is not None else ()):
            role, unit = fields.get(f"role-{place}", "").strip(), fields.get(f"unit-{place}", "").strip()
            if role:
                columns[name] = f"{role}, {unit}" if unit else role
        answers: dict[str, Any] = {"columns": columns} | {
            question.key: fields[question.key] for question in QUESTIONS[1:] if fields.get(question.key, "").strip()
        }
        job.answers = answers
        try:
            self.jobs.verify(job, answers)
        except TallywireError as problem:
            return await self.page(job, problem=problem)
        return RedirectResponse(f"/verify/{job.key}", status_code=303)

    def known(self, key: str) -> Job:
        """An export that is kept; 404 for any other."""
        job = self.jobs.find(key)
        if job is None:
            raise HTTPException(404, "this export is not kept any more; send it again")
        return job


def _looks(job: Job | None) -> str:
    """What the recorder seems to have stored, by the columns as they are guessed."""
    return "" if job is None or job.read is None else held_answer(job.read.held, _guesses(job))


def _guesses(job: Job) -> dict[str, tuple[str, str]]:
    """Role and unit of each column: as answered, else as guessed."""
    assert job.read is not None
    out = {guess.column: (guess.role, guess.unit) for guess in job.read.guesses}
    said = job.answers.get("columns")
    if said:
        out = {name: (text.partition(",")[0].strip(), text.partition(",")[2].strip()) for name, text in said.items()}
    return out


def told(job: Job) -> ExportOut:
    """An export as REST gives it."""
    read = job.read
    return ExportOut(
        key=job.key, name=job.name, state=job.state.value, problem="" if job.problem is None else str(job.problem),
        columns=[] if read is None else list(read.columns),
        guesses={} if read is None else {g.column: f"{g.role}{', ' + g.unit if g.unit else ''}" for g in read.guesses},
        understood=[] if read is None else read.said.lines(), lost=list(job.lost), report=job.report,
    )  # fmt: skip


def router(pages: VerifyPages) -> APIRouter:
    """The pages and REST."""
    routes = APIRouter()
    rest: dict[str, Any] = {"tags": ["exports"]}

    @routes.get("/verify", include_in_schema=False)
    async def empty() -> Response:
        return await pages.page(None)

    @routes.post("/verify", include_in_schema=False)
    async def send(request: Request) -> Response:
        return await pages.send(request)

    @routes.get("/verify/{key}", include_in_schema=False)
    async def one(key: str) -> Response:
        return await pages.page(pages.known(key))

    @routes.post("/verify/{key}", include_in_schema=False)
    async def answers(key: str, request: Request) -> Response:
        return await pages.answer(key, request)

    @routes.post(
        "/api/v1/exports", status_code=202, summary="Send an exported file, its bytes as the body", **rest,
        openapi_extra={"requestBody": {"content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}}}},
    )  # fmt: skip
    async def sent(request: Request, name: str = "export.csv") -> ExportOut:
        """It is read in a process of its own and kept for an hour; ask again by its key until its state is `asking`."""
        job = pages.jobs.begin(PurePath(name.replace("\\", "/")).name)
        with job.file.open("wb") as out:
            async for piece in request.stream():
                await run_in_threadpool(out.write, piece)
        pages.jobs.read(job)
        return told(job)

    @routes.get("/api/v1/exports/{key}", summary="An export that was sent", **rest)
    async def state(key: Key) -> ExportOut:
        """How far it is, what was understood, and its report once it is done."""
        return told(pages.known(key))

    @routes.post("/api/v1/exports/{key}/answers", status_code=202, summary="Answer the questions of an export", **rest)
    async def answered(key: Key, body: AnswersIn) -> ExportOut:
        """The verification begins at once; ask again by the key until the state is `done`."""
        job = pages.known(key)
        raw = {name: value for name, value in body.model_dump().items() if value}
        with unprocessable():
            pages.jobs.verify(job, raw)
        return told(job)

    return routes
