"""The page of the alerts: what stands, what is over, and what people do about it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter, HTTPException, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from collector.alerts.desk import AlertDesk
from collector.alerts.holds import Hold, HoldKind, amount_of
from collector.alerts.lifecycle import ANNUNCIATED
from collector.alerts.model import Alert, AlertState, Transition
from collector.alerts.priority import SAFETY, Rationale, rationale_of
from collector.clock import Clock
from collector.live import LiveState
from collector.web import who
from collector.web.alert_api import owner_of
from collector.web.forms import author, number_of, own_form, reason_of
from collector.web.pages import Pages
from collector.web.paging import Find, PageNumber, fits, part_of
from collector.web.security import Guard
from config.errors import TallywireError

PAST_SPAN = 7 * 86400.0
"""How far back the page looks [s]."""
ALERTS_A_PAGE = 25
PAST_SHOWN = 50


ACTIONS = ("acknowledge", "shelve", "unshelve")
"""What the form of an alert may order by the role of an operator; each other order has an address and a role of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertCard:
    """An alert with its history, why it is one, and how many others are its consequences."""

    alert: Alert
    transitions: list[Transition]
    why: Rationale
    consequences: int = 0
    accepted: Hold | None = None

    @property
    def amount(self) -> tuple[str, str, float] | None:
        """The number that says how large it is."""
        return amount_of(self.alert.finding)

    @property
    def can_acknowledge(self) -> bool:
        """Whether an acknowledgement is waited for."""
        return self.alert.state in ANNUNCIATED

    @property
    def can_shelve(self) -> bool:
        """Whether shelving makes sense in this state."""
        return self.alert.state in (*ANNUNCIATED, AlertState.ACKNOWLEDGED)

    @property
    def can_accept(self) -> bool:
        """Whether its finding may be accepted."""
        return self.can_shelve and self.alert.active and self.alert.finding.cause not in SAFETY

    @property
    def can_restore(self) -> bool:
        """Whether it is out of service."""
        return self.alert.state is AlertState.OUT_OF_SERVICE


class AlertsPage:
    """Shows the desk and hands on what people order."""

    def __init__(self, pages: Pages, live: LiveState, desk: AlertDesk, clock: Clock, guard: Guard) -> None:
        self._pages, self._live, self._desk, self._clock, self._guard = pages, live, desk, clock, guard

    def page(
        self, template: str, number: int = 1, find: str = "", *, problem: TallywireError | None = None, status: int = 200
    ) -> HTMLResponse:
        """The alerts that stand, each with its history, and those of the last week."""
        now = self._clock.now()
        standing = self._desk.standing()
        ids = {item.id for item in standing}
        past = [item for item in self._desk.over(now - PAST_SPAN, now + 1) if item.id not in ids and fits(find, item.loop)]
        part = part_of([item for item in standing if fits(find, item.loop, item.id)], number, ALERTS_A_PAGE, find)
        consequences = Counter(item.parent for item in standing if item.parent)
        holds = self._desk.holds()
        return self._pages.render(
            template,
            status,
            part=part,
            standing=[self._card(item, consequences[item.id], holds) for item in part.items],
            past=[self._card(item) for item in past[:PAST_SHOWN]],
            past_total=len(past),
            holds=holds,
            problem=problem,
        )

    async def act(self, action: str, alert: str, request: Request) -> Response:
        """Do what a form orders; back to the alerts, or the page again with what is wrong."""
        form = await own_form(request, self._guard)
        found = self._desk.find(alert)
        if found is None:
            raise HTTPException(404, f"there is no alert {alert!r}")
        try:
            done = self._done(action, alert, form)
        except TallywireError as problem:
            return self.page("alerts.html", problem=problem, status=422)
        who.note(old={"state": found.state.value}, new={"state": done.state.value})
        self._live.touch()
        return RedirectResponse(f"/alerts#{alert}", status_code=303)

    async def end_hold(self, hold: int, request: Request) -> Response:
        """End an order by its number."""
        form = await own_form(request, self._guard)
        try:
            self._desk.end_hold(hold, by=author(form.get("name", "")), now=self._clock.now())
        except TallywireError as problem:
            return self.page("alerts.html", problem=problem, status=422)
        self._live.touch()
        return RedirectResponse("/alerts", status_code=303)

    def _done(self, action: str, alert: str, form: dict[str, str]) -> Alert:
        now, desk = self._clock.now(), self._desk
        by = author(form.get("name", ""))
        if action == "acknowledge":
            return desk.acknowledge(alert, by=by, now=now)
        if action == "unshelve":
            return desk.unshelve(alert, by=by, now=now)
        if action == "restore":
            return desk.restore(alert, by=by, now=now)
        if action == "accept":
            until = now + number_of(form.get("days", ""), "days", 366.0) * 86400
            reason, owner = reason_of(form.get("reason", "")), owner_of(form.get("owner", ""))
            grow = number_of(form["grow"], "growth", 1e6, least=0.0) if form.get("grow", "").strip() else None
            return desk.accept(alert, by=by, owner=owner, reason=reason, until=until, grow=grow, now=now)
        longest = 2160.0 if action == "out-of-service" else 720.0
        until = now + number_of(form.get("hours", ""), "hours", longest) * 3600
        order = desk.remove if action == "out-of-service" else desk.shelve
        return order(alert, by=by, reason=reason_of(form.get("reason", "")), until=until, now=now)

    def _card(self, alert: Alert, consequences: int = 0, holds: Sequence[Hold] = ()) -> AlertCard:
        accepted = next(
            (item for item in holds if item.kind is HoldKind.ACCEPTED and (item.loop, item.link) == (alert.loop, alert.link)),
            None,
        )
        return AlertCard(
            alert=alert,
            transitions=self._desk.transitions(alert.id),
            why=rationale_of(alert.finding, self._live.site.alerting.tolerable),
            consequences=consequences,
            accepted=accepted if alert.state is AlertState.SHELVED else None,
        )


def router(alerts: AlertsPage) -> APIRouter:
    """The page, its fragment and the forms."""
    routes = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @routes.get("/alerts")
    async def page(number: PageNumber = 1, find: Find = "") -> Response:
        return alerts.page("alerts.html", number, find)

    @routes.get("/alerts/fragment")
    async def fragment(number: PageNumber = 1, find: Find = "") -> Response:
        return alerts.page("alerts_live.html", number, find)

    @routes.post("/alerts/holds/{number}/end")
    async def end_hold(request: Request, number: int) -> Response:
        return await alerts.end_hold(number, request)

    @routes.post("/alerts/{alert}/out-of-service")
    async def remove(request: Request, alert: str) -> Response:
        return await alerts.act("out-of-service", alert, request)

    @routes.post("/alerts/{alert}/restore")
    async def restore(request: Request, alert: str) -> Response:
        return await alerts.act("restore", alert, request)

    @routes.post("/alerts/{alert}/accept")
    async def accept(request: Request, alert: str) -> Response:
        return await alerts.act("accept", alert, request)

    @routes.post("/alerts/{alert}/{action}")
    async def act(request: Request, alert: str, action: str) -> Response:
        if action not in ACTIONS:
            raise HTTPException(404, f"there is no action {action!r}")
        return await alerts.act(action, alert, request)

    return routes
