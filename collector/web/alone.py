"""The pages that need no site, alone on a machine: a new site file by questions, and the verification of a file."""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path
from zoneinfo import ZoneInfo

from fastapi import FastAPI
from jinja2 import Environment
from starlette.responses import HTMLResponse, RedirectResponse, Response

from collector.clock import Clock
from collector.commissioning.drafts import Drafts
from collector.commissioning.init_desk import InitDesk
from collector.commissioning.turn import Turn
from collector.exports.jobs import Jobs
from collector.web import failing, init_page, openapi, pages, static_files, verify_page, words
from collector.web.compression import AS_IT_IS, Compressed
from collector.web.failures import Failures
from collector.web.limits import Limits
from collector.web.security import Gate, Guard

UTC = ZoneInfo("UTC")
OPENAPI_PATH = "/api/openapi.json"


class NoStreams:
    """Nothing is live without a site."""

    def close(self) -> None:
        """There is nothing to end."""


class AlonePages:
    """Renders pages without a site around them."""

    def __init__(self, env: Environment, clock: Clock, guard: Guard) -> None:
        self._env, self._clock, self._guard = env, clock, guard

    def render(self, template: str, status: int = 200, **values: object) -> HTMLResponse:
        """One page as an answer."""
        now = self._clock.now()
        page = self._env.get_template(template).render(
            local=lambda time_s, seconds=False: words.local(time_s, UTC, now, seconds=seconds),
            token=self._guard.token,
            **values,
        )
        return HTMLResponse(page, status, headers=AS_IT_IS)


def create_alone(clock: Clock, *, start: str, folder: Path | None = None) -> FastAPI:
    """The application without a site; `start` is the page that the bare address leads to, `folder` where drafts are kept."""
    files = static_files.load()
    env = pages.environment(files, "alone.html")
    failures, guard = Failures(env), Guard()
    app = FastAPI(
        title="Tallywire", version=version("tallywire"), summary="A new site file, and the verification of a file; no site is needed.",
        openapi_url=OPENAPI_PATH, docs_url=None, redoc_url=None,
    )  # fmt: skip
    app.add_middleware(Compressed)
    app.add_middleware(Limits, refuse=failures.refuse)
    app.add_middleware(Gate, guard=guard, refuse=failures.refuse)
    faces, jobs = AlonePages(env, clock, guard), Jobs(clock)
    app.state.guard, app.state.exports, app.state.streams = guard, jobs, NoStreams()
    app.include_router(init_page.router(init_page.InitPages(faces, Drafts(clock, folder), guard, InitDesk(clock, Turn()))))
    app.include_router(verify_page.router(verify_page.VerifyPages(faces, jobs, guard)))
    static_files.serve(app, files)

    @app.get("/", include_in_schema=False)
    async def first() -> Response:
        return RedirectResponse(start, status_code=303)

    openapi.install(app)
    failing.install(app, failures, OPENAPI_PATH)
    return app
