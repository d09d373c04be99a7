"""The pages, made on the server: site, loop, alerts, tags, and the fragments by which they stay live."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import version
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Request
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from checks.causes import families, registry
from checks.causes.signatures import SYMBOLS, letters_in
from checks.correction import words as correction_words
from checks.evaluation import Evaluation
from checks.result import Verdict
from collector.alerts.desk import AlertDesk
from collector.alerts.model import Alert, AlertState, Transition
from collector.clock import Clock
from collector.history.store import Store
from collector.live import LiveState
from collector.reading import Reading
from collector.web import cause_answers, overview, words
from collector.web.drawing import TrendPicture, draw
from collector.web.forms import form_of, shelve_hours, typed
from collector.web.security import Guard
from collector.web.static_files import StaticFile
from config.cautions import CAUTIONS
from config.errors import TallywireError
from config.model import RecordedTag, Tag
from config.roles import ROLES

TREND_SPAN = 2 * 3600
"""Time that the small trend of a loop covers [s]."""

PAST_SPAN = 7 * 86400.0
"""How far back the page of alerts looks [s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TagRow:
    """One tag of the tag page. `age_s` None where it was never read."""

    loop: str
    role: str
    meaning: str
    unit: str
    tag: Tag
    reading: Reading | None
    age_s: float | None
    stale: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertCard:
    """An alert with its history."""

    alert: Alert
    transitions: list[Transition]

    @property
    def can_acknowledge(self) -> bool:
        """Whether an acknowledgement is waited for."""
        return self.alert.state in (AlertState.UNACKNOWLEDGED, AlertState.RETURNED)

    @property
    def can_shelve(self) -> bool:
        """Whether shelving makes sense in this state."""
        return self.alert.state in (AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED, AlertState.RETURNED)


def environment(files: dict[str, StaticFile]) -> Environment:
    """The template environment: escaping always on, unknown names are errors."""
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
        words=words,
        correction_words=correction_words,
        known_causes=registry(),
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
        standing = self._desk.standing()
        page = self._env.get_template(template).render(
            live=self._live,
            site=self._live.site,
            now=now,
            alerts_waiting=sum(item.state in (AlertState.UNACKNOWLEDGED, AlertState.RETURNED) for item in standing),
            local=lambda time_s, seconds=False: words.local(time_s, self._zone, now, seconds=seconds),
            stale_after=overview.stale_after(self._live),
            first_verdict=overview.first_verdict_s(self._live),
            token=self._guard.token,
            **values,
        )
        return HTMLResponse(page, status)

    def site(self, template: str) -> HTMLResponse:
        """The site page or its fragment."""
        now = self._clock.now()
        lines = overview.loop_lines(self._live, now)
        standing = self._desk.standing()
        return self.render(
            template,
            lines=lines,
            step=overview.next_step(self._live, lines, standing),
            lost=overview.lost_endpoints(self._live),
            loops_of=lambda name: overview.loops_of(self._live, name),
            agrees_since=lambda loop: self._agrees_since(loop, now),
        )

    async def loop(self, loop: str, template: str) -> HTMLResponse:
        """A loop's page or its fragment; 404 where the site has no such loop."""
        if loop not in self._live.site.loops:
            raise HTTPException(404, f"this site has no loop {loop!r}")
        now = self._clock.now()
        line = overview.loop_line(self._live, loop, now)
        declared = overview.endpoints_of(self._live.site.loops[loop])
        return self.render(
            template,
            line=line,
            plant=self._live.site.loops[loop],
            shown=tuple(mark for mark in line.marks if mark.numbers),
            endpoints=[item for name, item in sorted(self._live.endpoints.items()) if name in declared],
            tags=[row for row in self._tags(now) if row.loop == loop],
            picture=await self._picture(loop, line.evaluation, now),
            agrees_since=lambda name: self._agrees_since(name, now),
            alerts=[item for item in self._desk.standing() if item.loop == loop],
        )

    def alerts(self, template: str, *, problem: TallywireError | None = None, status: int = 200) -> HTMLResponse:
        """The alerts that stand, each with its history, and those of the last week."""
        now = self._clock.now()
        standing = self._desk.standing()
        ids = {item.id for item in standing}
        past = [item for item in self._desk.past(now - PAST_SPAN, now + 1) if item.id not in ids]
        return self.render(
            template,
            status,
            standing=[self._card(item) for item in standing],
            past=[self._card(item) for item in past],
            problem=problem,
        )

    def tags(self, template: str) -> HTMLResponse:
        """Every tag live."""
        return self.render(template, rows=self._tags(self._clock.now()))

    def causes(self) -> HTMLResponse:
        """The catalogue of causes, and what the tags of each loop can tell apart."""
        site = self._live.site
        return self.render(
            "causes.html",
            families=[(name, [cause_answers.cause_out(cause) for cause in causes]) for name, causes in families()],
            count=len(registry()),
            loops=cause_answers.of_site(site, list(site.loops)),
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
            loops=cause_answers.of_site(site, list(site.loops)),
            symbols=letters_in(known.signature),
        )

    def act(self, action: str, alert: str, form: dict[str, str]) -> Response:
        """Acknowledge, shelve or unshelve by a form; back to the alerts, or the page again with what is wrong."""
        now = self._clock.now()
        if not self._guard.knows_token(form.get("token", "")):
            raise HTTPException(403, "the form is from an earlier run of the service")
        if self._desk.find(alert) is None:
            raise HTTPException(404, f"there is no alert {alert!r}")
        try:
            by = typed(form.get("name", ""), "a name", 80)
            if action == "acknowledge":
                self._desk.acknowledge(alert, by=by, now=now)
            elif action == "shelve":
                until = now + shelve_hours(form.get("hours", "")) * 3600
                reason = typed(form.get("reason", ""), "a reason", 400)
                self._desk.shelve(alert, by=by, reason=reason, until=until, now=now)
            else:
                self._desk.unshelve(alert, by=by, now=now)
        except TallywireError as problem:
            return self.alerts("alerts.html", problem=problem, status=422)
        self._live.touch()
        return RedirectResponse(f"/alerts#{alert}", status_code=303)

    def _card(self, alert: Alert) -> AlertCard:
        return AlertCard(alert=alert, transitions=self._desk.transitions(alert.id))

    def _agrees_since(self, loop: str, now: float) -> float:
        """Since when no alert of a loop has stood: the last return, else the start of the service."""
        returns = [item.returned for item in self._desk.past(now - PAST_SPAN, now + 1) if item.loop == loop]
        return max([item for item in returns if item is not None], default=self._live.started)

    def _tags(self, now: float) -> list[TagRow]:
        rows = []
        for loop_id, loop in self._live.site.loops.items():
            for role, tag in loop.tags.items():
                reading = self._live.readings.get((loop_id, role))
                age = None if reading is None else now - reading.receive_time
                source = None if isinstance(tag, RecordedTag) else self._live.site.endpoints.get(tag.endpoint)
                period = tag.period or (source.period if source else 1.0)
                known = ROLES.get(role)
                rows.append(
                    TagRow(
                        loop=loop_id,
                        role=role,
                        meaning=known.meaning if known else "",
                        unit=known.unit if known else "",
                        tag=tag,
                        reading=reading,
                        age_s=age,
                        stale=age is not None and age > max(loop.limits.freshness.periods * period, 3.0),
                    )
                )
        return rows

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
    async def site() -> Response:
        return pages.site("site.html")

    @routes.get("/fragment")
    async def site_fragment() -> Response:
        return pages.site("site_live.html")

    @routes.get("/loops/{loop}")
    async def loop_page(loop: str) -> Response:
        return await pages.loop(loop, "loop.html")

    @routes.get("/loops/{loop}/fragment")
    async def loop_fragment(loop: str) -> Response:
        return await pages.loop(loop, "loop_live.html")

    @routes.get("/alerts")
    async def alerts() -> Response:
        return pages.alerts("alerts.html")

    @routes.get("/alerts/fragment")
    async def alerts_fragment() -> Response:
        return pages.alerts("alerts_live.html")

    @routes.get("/tags")
    async def tags() -> Response:
        return pages.tags("tags.html")

    @routes.get("/tags/fragment")
    async def tags_fragment() -> Response:
        return pages.tags("tags_live.html")

    @routes.get("/causes")
    async def causes() -> Response:
        return pages.causes()

    @routes.get("/causes/{cause}")
    async def cause_page(cause: str) -> Response:
        return pages.cause(cause)

    @routes.post("/alerts/{alert}/{action}")
    async def act(request: Request, alert: str, action: str) -> Response:
        if action not in {"acknowledge", "shelve", "unshelve"}:
            raise HTTPException(404, f"there is no action {action!r}")
        return pages.act(action, alert, await form_of(request))

    return routes
