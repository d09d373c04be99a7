"""The web application: pages, REST, metrics and the event stream behind one gate."""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path

from fastapi import FastAPI
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from collector.access.desk import Access
from collector.accounts.closing import Accountant
from collector.alerts.desk import AlertDesk
from collector.clock import Clock
from collector.commissioning.check_desk import CheckDesk
from collector.commissioning.drafts import Drafts
from collector.commissioning.init_desk import InitDesk
from collector.commissioning.lender import Lender
from collector.commissioning.readers import LiveReader
from collector.commissioning.survey_desk import SurveyDesk
from collector.commissioning.turn import Turn
from collector.delivery.desk import DeliveryDesk
from collector.exports.jobs import Jobs
from collector.history.store import Store
from collector.live import LiveState
from collector.records.desk import RecordDesk
from collector.web import (
    access_api,
    account_page,
    accounts_page,
    alert_api,
    alerts_page,
    api,
    calibration_page,
    check_page,
    deliveries_page,
    failing,
    fleet_page,
    init_page,
    lending,
    lines_page,
    metrics,
    openapi,
    pages,
    performance_page,
    plan_page,
    records_page,
    static_files,
    survey_page,
    tags_page,
    totals_page,
    trend_page,
    uptime_page,
    verify_page,
)
from collector.web.alert_metrics import AlarmMetrics
from collector.web.compression import Compressed
from collector.web.door import Door
from collector.web.failures import Failures
from collector.web.limits import Limits
from collector.web.proxy import BehindProxy
from collector.web.security import Gate, Guard
from collector.web.stream import Streams
from collector.web.watched import Watched

OPENAPI_PATH = "/api/openapi.json"


def create_app(
    live: LiveState,
    store: Store | None,
    desk: AlertDesk,
    clock: Clock,
    *,
    port: int | None = None,
    records: RecordDesk | None = None,
    folder: Path | None = None,
    access: Access | None = None,
    deliveries: DeliveryDesk | None = None,
) -> FastAPI:
    """The application over the live state.

    `port` is the one that the Host header must name; None accepts any until `app.state.guard.port` is set, which a service
    that binds port 0 does once it knows. `app.state.streams.close()` ends the event streams; call it before the server
    waits for its connections. `folder` is where loop checks on their way are kept; `access` are the books of accounts, without
    which only the person at this machine is served; `deliveries` is the outbox, without which its page says so. The desk is called in the event loop, the store in a worker thread.
    """
    files = static_files.load()
    env = pages.environment(files)
    failures = Failures(env)
    web = live.site.web
    guard = Guard.of(web, port)
    streams = Streams(live, clock)
    app = FastAPI(
        title="Tallywire",
        version=version("tallywire"),
        summary="What the signal chains of a site show, what they should show, and where they differ.",
        openapi_url=OPENAPI_PATH,
        docs_url=None,
        redoc_url=None,
    )
    app.state.guard, app.state.streams = guard, streams
    app.add_middleware(Watched, live=live, clock=clock)
    app.add_middleware(Compressed)
    app.add_middleware(Limits, refuse=failures.refuse)
    app.add_middleware(Door, access=access, web=web, guard=guard, answer=failures.answer, problems=live.problems)
    app.add_middleware(Gate, guard=guard, refuse=failures.refuse)
    if web.behind_proxy:
        app.add_middleware(BehindProxy, trusted=web.behind_proxy)
    app.include_router(access_api.router(access))
    app.include_router(alert_api.router(live, desk, deliveries, clock))
    app.include_router(api.router(live, store, desk, clock))
    app.include_router(lending.router(live, clock))
    faces = pages.Pages(env, live, store, desk, clock, guard)
    app.include_router(account_page.router(account_page.AccountPages(env, faces, access, guard, live)))
    app.include_router(accounts_page.router(accounts_page.AccountsPages(faces, access, guard)))
    app.include_router(pages.router(faces))
    app.include_router(alerts_page.router(alerts_page.AlertsPage(faces, live, desk, clock, guard)))
    app.include_router(performance_page.router(performance_page.PerformancePage(faces, live, desk, clock)))
    app.include_router(deliveries_page.router(deliveries_page.DeliveriesPage(faces, live, deliveries, clock, guard)))
    app.include_router(tags_page.router(tags_page.TagsPage(faces, live, clock)))
    app.include_router(fleet_page.router(fleet_page.FleetPage(faces, live, store, clock)))
    app.include_router(lines_page.router(lines_page.LinesPage(faces, live, store, clock)))
    uptimes = uptime_page.UptimePages(faces, live, store, desk, clock, guard)
    app.include_router(uptime_page.router(uptimes))
    app.include_router(records_page.router(records_page.RecordsPages(faces, live, records, clock, guard)))
    book = records.book if records is not None else None
    accountant = Accountant(live.site, live.site_sha256, store, desk.past, clock, book) if store is not None else None
    checks = CheckDesk(live.site, live.site_sha256, lambda loop: LiveReader(live, loop), clock, book, folder)
    app.include_router(check_page.router(check_page.CheckPages(faces, live, checks, book, guard)))
    turn = Turn()
    surveys = SurveyDesk(live, clock, folder, turn)
    app.include_router(survey_page.router(survey_page.SurveyPages(faces, live, surveys, guard)))
    app.include_router(plan_page.router(plan_page.PlanPages(faces, live, clock)))
    app.include_router(calibration_page.router(calibration_page.CalibrationPages(faces, live, store, book, clock, guard)))
    looks = InitDesk(clock, turn, Lender(live, clock))
    app.include_router(init_page.router(init_page.InitPages(faces, Drafts(clock, folder), guard, looks)))
    jobs = Jobs(clock)
    app.state.exports = jobs
    app.include_router(verify_page.router(verify_page.VerifyPages(faces, jobs, guard)))
    app.include_router(totals_page.router(totals_page.TotalsPages(faces, live, accountant, clock, guard)))
    app.include_router(trend_page.router(trend_page.TrendPages(faces, live, store, desk, clock)))

    static_files.serve(app, files)

    alarms = AlarmMetrics(desk, deliveries)

    @app.get("/metrics", include_in_schema=False)
    async def metrics_(request: Request) -> Response:
        body, media_type = metrics.exposition(
            live, desk, request.headers.get("accept", ""), await uptimes.availability(), alarms.families(clock.now())
        )
        return Response(body, headers={"Content-Type": media_type})

    @app.get("/events", include_in_schema=False)
    async def events(loops: str | None = None, order: bool = False) -> Response:
        wanted = None if loops is None else frozenset(name for name in loops.split(",") if name)
        unknown = sorted((wanted or frozenset()) - live.site.loops.keys())
        if unknown:
            raise HTTPException(404, f"this site has no loop {unknown[0]!r}")
        return StreamingResponse(streams.events(wanted, order=order), media_type="text/event-stream")

    openapi.install(app)

    failing.install(app, failures, OPENAPI_PATH)
    return app
