"""REST under /api/v1: what the pages show, for programs. It only reads; alerts have a module of their own."""

from __future__ import annotations

import math
from importlib.metadata import version
from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Query
from starlette.concurrency import run_in_threadpool

from checks.causes import registry
from collector.alerts.desk import AlertDesk
from collector.clock import Clock
from collector.history.store import Store
from collector.live import LiveState
from collector.web import answers, cause_answers, overview, schemas, tag_rows
from collector.web.drawn_roles import roles_of
from collector.web.next_step import next_step
from collector.web.times import From, To, stretch
from config.cautions import CAUTIONS

DEFAULT_SPAN = 2 * 3600
EVENT_SPAN = 7 * 86400

PROBLEMS: dict[int | str, dict[str, Any]] = {
    status: {"model": schemas.ProblemOut, "description": text}
    for status, text in {
        404: "there is no such thing",
        409: "the state does not allow it",
        422: "the request does not fit",
    }.items()
}


def router(live: LiveState, store: Store | None, desk: AlertDesk, clock: Clock) -> APIRouter:
    """The routes of REST version 1."""
    routes = APIRouter(prefix="/api/v1", responses=PROBLEMS)

    def known(loop: str) -> str:
        if loop not in live.site.loops:
            raise HTTPException(404, f"this site has no loop {loop!r}")
        return loop

    def history() -> Store:
        if store is None:
            raise HTTPException(503, "there is no history: " + live.problems.get("history", "the service runs without one"))
        return store

    @routes.get("/site", summary="The site and the service")
    async def site() -> schemas.SiteOut:
        now = clock.now()
        lines = overview.loop_lines(live, now)
        return schemas.SiteOut(
            tallywire=version("tallywire"),
            site=live.site.site,
            title=live.site.title,
            time_zone=live.site.time_zone,
            site_sha256=live.site_sha256,
            started=answers.time_of(live.started),
            time=answers.time_of(now),
            loops=list(live.site.loops),
            problems=dict(live.problems),
            published=dict(live.published),
            standing=overview.summary(lines),
            next=answers.step(next_step(live, lines, desk.standing()), CAUTIONS),
        )

    @routes.get("/loops", summary="Every loop in one line, worst first")
    async def loops() -> list[schemas.LoopOut]:
        now = clock.now()
        alerted = {item.loop for item in desk.standing() if item.active}
        quiet = overview.quiet_since(live, desk.past(now - EVENT_SPAN, now + 1))
        return [
            answers.loop(line, None if line.loop in alerted or line.evaluation is None else quiet(line.loop))
            for line in overview.loop_lines(live, now)
        ]

    @routes.get("/loops/{loop}", summary="The latest evaluation of a loop")
    async def loop_(loop: str) -> schemas.EvaluationOut:
        found = live.evaluations.get(known(loop))
        if found is None:
            needed = f"no evaluation yet: it needs {overview.first_verdict_s(live):g} s of data"
            raise HTTPException(503, needed, headers={"Retry-After": str(math.ceil(overview.first_verdict_s(live)))})
        return answers.evaluation(found, overview.loop_line(live, loop, clock.now()), CAUTIONS)

    @routes.get("/loops/{loop}/trend", summary="A role over time")
    async def trend(
        loop: str,
        role: Annotated[str, Query(max_length=60, examples=["flow"])],
        begin: From = None,
        to: To = None,
        points: Annotated[int, Query(ge=10, le=5000)] = 2000,
    ) -> schemas.TrendOut:
        first, last = stretch(begin, to, clock.now(), DEFAULT_SPAN)
        if role not in roles_of(live.site.loops[known(loop)]):
            raise HTTPException(404, f"loop {loop} has no tag with the role {role!r}")
        return answers.trend(await run_in_threadpool(history().trend, loop, role, first, last, points), first, last)

    @routes.get("/loops/{loop}/findings", summary="What is wrong with a loop, largest consequence first")
    async def findings(loop: str) -> list[schemas.FindingOut]:
        """What its alerts stand for, also while this moment does not show it, and what was just found beside."""
        return [answers.finding(item, CAUTIONS) for item in overview.standing_findings(live, known(loop))]

    @routes.get("/loops/{loop}/declared", summary="What the site file declares of a loop, and what of it can be drawn")
    async def declared(loop: str) -> schemas.DeclaredOut:
        return answers.declared(loop, live.site.loops[known(loop)])

    @routes.get("/tags", summary="Every tag as it was last read")
    async def tags(loop: str | None = None) -> list[schemas.TagOut]:
        now = clock.now()
        wanted = live.site.loops if loop is None else [known(loop)]
        return [answers.tag(row) for loop_id in wanted for row in tag_rows.of_loop(live, loop_id, now)]

    @routes.get("/causes", summary="The catalogue of causes, and what the tags of each loop can name")
    async def causes() -> cause_answers.CatalogueOut:
        return cause_answers.catalogue(live.site, list(live.site.loops))

    @routes.get("/causes/{cause}", summary="One cause: what it does, what looks like it, what to check first")
    async def cause_(cause: str) -> cause_answers.CauseOut:
        if cause not in registry():
            raise HTTPException(404, f"there is no cause {cause!r}")
        return cause_answers.cause_out(registry()[cause])

    @routes.get("/endpoints", summary="The connections to the plant")
    async def endpoints(loop: str | None = None) -> list[schemas.EndpointOut]:
        """All of the site, or those that a loop is read from."""
        wanted = set(live.endpoints) if loop is None else overview.endpoints_of(live.site.loops[known(loop)])
        return [answers.endpoint(live.endpoints[name]) for name in sorted(wanted & live.endpoints.keys())]

    @routes.get("/events", summary="The event ledger, oldest first; the last seven days where no time is given")
    async def events(loop: str | None = None, begin: From = None, to: To = None) -> list[schemas.EventOut]:
        first, last = stretch(begin, to, clock.now(), EVENT_SPAN)
        only = None if loop is None else known(loop)
        return [answers.event(item) for item in await run_in_threadpool(history().events, first, last, only)]

    @routes.get("/healthz", summary="The service answers")
    async def healthz() -> schemas.HealthOut:
        return schemas.HealthOut(status="live", tallywire=version("tallywire"))

    @routes.get("/readyz", summary="Every loop has a fresh evaluation; else 503 with what is missing")
    async def readyz() -> schemas.HealthOut:
        missing = [line.loop for line in overview.loop_lines(live, clock.now()) if line.stale or line.age_s is None]
        if missing:
            raise HTTPException(503, "no fresh evaluation of " + ", ".join(sorted(missing)))
        return schemas.HealthOut(status="ready", tallywire=version("tallywire"))

    return routes
