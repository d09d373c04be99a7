"""The pages, made on the server: site, loop and causes, the fragments by which they stay live, and what all pages share."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from importlib.metadata import version
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, Response

from checks.causes import families, registry
from checks.causes.signatures import SYMBOLS, letters_in
from checks.commissioning.inventory import overdue
from checks.correction import words as correction_words
from checks.evaluation import Evaluation
from checks.result import Verdict
from collector.access.roles import Role
from collector.alerts.desk import AlertDesk
from collector.clock import Clock
from collector.history.store import Store
from collector.live import LiveState
from collector.web import cause_answers, overview, tag_rows, who, words
from collector.web.compression import AS_IT_IS
from collector.web.drawing import TrendPicture, draw
from collector.web.lacking import disabled
from collector.web.next_step import next_step
from collector.web.paging import Find, PageNumber, fits, part_of
from collector.web.security import Guard
from collector.web.static_files import StaticFile
from config.cautions import CAUTIONS
from config.errors import StoreError

LOOPS_A_PAGE = 25
"""Loops that the site page shows at a time, the worst first."""

PAST_SPAN = 7 * 86400.0
"""How far back a loop is said to have had no alert [s]."""

TREND_SPAN = 2 * 3600
"""Time that the small trend of a loop covers [s]."""


def environment(files: dict[str, StaticFile], layout: str = "base.html") -> Environment:
    """The template environment: escaping always on, unknown names are errors. `layout` is what stands around a page."""
    env = Environment(
        loader=PackageLoader("collector.web", "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.globals.update(
        static={name: f"/static/{name}?v={file.version}" for name, file in files.items()},
        version=version("tallywire"),
        layout=layout,
        words=words,
        correction_words=correction_words,
        known_causes=registry(),
        some=overview.some,
        cautions=CAUTIONS,
        Verdict=Verdict,
    )
    return env


class Pages:
    """Renders the pages from what is known at this moment."""

    def __init__(
        self, env: Environment, live: LiveState, store: Store | None, desk: AlertDesk, clock: Clock, guard: Guard
    ) -> None:
        self._env, self._live, self._store, self._desk = env, live, store, desk
        self._clock, self._guard = clock, guard
        self._zone = ZoneInfo(live.site.time_zone)

    def render(self, template: str, status: int = 200, **values: object) -> HTMLResponse:
        """One page or fragment as an answer."""
        now = self._clock.now()
        page = self._env.get_template(template).render(
            live=self._live,
            site=self._live.site,
            now=now,
            alerts_waiting=self._desk.waiting(),
            local=lambda time_s, seconds=False: words.local(time_s, self._zone, now, seconds=seconds),
            told=lambda text: words.said(text, self._zone, now),
            stale_after=overview.stale_after(self._live),
            first_verdict=overview.first_verdict_s(self._live),
            token=self._guard.token,
            me=who.current(),
            admin=Role.ADMIN,
            **values,
        )
        page = disabled(page, who.current())
        return HTMLResponse(page, status, headers=AS_IT_IS if self._guard.token in page else None)

    def site(self, template: str, number: int = 1, find: str = "") -> HTMLResponse:
        """The site page or its fragment: what to do next, then a page of the loops, worst first."""
        now = self._clock.now()
        lines = overview.loop_lines(self._live, now)
        found = [line for line in lines if fits(find, line.loop, line.title)]
        return self.render(
            template,
            lines=lines,
            part=part_of(found, number, LOOPS_A_PAGE, find),
            summary=overview.summary(lines),
            overdue=overdue(self._live.site.loops, datetime.fromtimestamp(now, self._zone).date()),
            step=next_step(self._live, lines, self._desk.standing()),
            lost=overview.lost_endpoints(self._live),
            loops_of=lambda name: overview.loops_of(self._live, name),
            agrees_since=self._agrees_since(now),
        )

    async def loop(self, loop: str, template: str) -> HTMLResponse:
        """A loop's page or its fragment; 404 where the site has no such loop."""
        if loop not in self._live.site.loops:
            raise HTTPException(404, f"this site has no loop {loop!r}")
        now = self._clock.now()
        line = overview.loop_line(self._live, loop, now)
        declared = overview.endpoints_of(self._live.site.loops[loop])
        picture, unread = None, ""
        try:
            picture = await self._picture(loop, line.evaluation, now)
        except StoreError as error:
            unread = error.what
        return self.render(
            template,
            line=line,
            plant=self._live.site.loops[loop],
            shown=tuple(mark for mark in line.marks if mark.numbers),
            endpoints=[item for name, item in sorted(self._live.endpoints.items()) if name in declared],
            tags=tag_rows.of_loop(self._live, loop, now),
            picture=picture,
            unread=unread,
            agrees_since=self._agrees_since(now),
            alerts=[item for item in self._desk.standing() if item.loop == loop],
        )

    def causes(self) -> HTMLResponse:
        """The catalogue of causes, and what the tags of each loop can tell apart."""
        site = self._live.site
        return self.render(
            "causes.html",
            families=[(name, [cause_answers.cause_out(cause) for cause in causes]) for name, causes in families()],
            count=len(registry()),
            groups=cause_answers.alike(cause_answers.of_site(site, list(site.loops))),
            symbols=dict(SYMBOLS),
        )

    def cause(self, cause: str) -> HTMLResponse:
        """One cause; 404 where the catalogue has none of this id."""
        if cause not in registry():
            raise HTTPException(404, f"there is no cause {cause!r}")
        known, site = registry()[cause], self._live.site
        return self.render(
            "cause.html",
            item=cause_answers.cause_out(known),
            links=known.links,
            family=next(name for name, causes in families() if known in causes),
            signal=known.signal.name.replace("_", " ").lower(),
            mode=known.mode.name.replace("_", " ").lower(),
            groups=cause_answers.alike(cause_answers.of_site(site, list(site.loops))),
            symbols=letters_in(known.signature),
        )

    def _agrees_since(self, now: float) -> Callable[[str], float]:
        return overview.quiet_since(self._live, self._desk.past(now - PAST_SPAN, now + 1))

    async def _picture(self, loop: str, evaluation: Evaluation | None, now: float) -> TrendPicture | None:
        if self._store is None or evaluation is None:
            return None
        end = int(now)
        begin = end - TREND_SPAN
        wanted = [
            (name, css, role)
            for name, css, role in (("gauge flow", "gauge", "flow"), ("PLC flow", "plc", "plc_flow"))
            if role in self._live.site.loops[loop].tags
        ]
        trends = [
            (name, css, await run_in_threadpool(self._store.trend, loop, role, begin, end, 360)) for name, css, role in wanted
        ]
        return draw(trends, begin, end, self._zone)


def router(pages: Pages) -> APIRouter:
    """The routes of the pages."""
    routes = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @routes.get("/")
    async def site(number: PageNumber = 1, find: Find = "") -> Response:
        return pages.site("site.html", number, find)

    @routes.get("/fragment")
    async def site_fragment(number: PageNumber = 1, find: Find = "") -> Response:
        return pages.site("site_live.html", number, find)

    @routes.get("/loops/{loop}")
    async def loop_page(loop: str) -> Response:
        return await pages.loop(loop, "loop.html")

    @routes.get("/loops/{loop}/fragment")
    async def loop_fragment(loop: str) -> Response:
        return await pages.loop(loop, "loop_live.html")

    @routes.get("/causes")
    async def causes() -> Response:
        return pages.causes()

    @routes.get("/causes/{cause}")
    async def cause_page(cause: str) -> Response:
        return pages.cause(cause)

    return routes
