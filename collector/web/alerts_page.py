"""The page of the alerts: what stands, what is over, and what people do about it."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, HTTPException, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from collector.alerts.desk import AlertDesk
from collector.alerts.model import Alert, AlertState, Transition
from collector.clock import Clock
from collector.live import LiveState
from collector.web import who
from collector.web.forms import author, own_form, reason_of, shelve_hours
from collector.web.pages import Pages
from collector.web.paging import Find, PageNumber, fits, part_of
from collector.web.security import Guard
from config.errors import TallywireError

PAST_SPAN = 7 * 86400.0
"""How far back the page looks [s]."""
ALERTS_A_PAGE = 25
PAST_SHOWN = 50


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
        past = [item for item in self._desk.past(now - PAST_SPAN, now + 1) if item.id not in ids and fits(find, item.loop)]
        part = part_of([item for item in standing if fits(find, item.loop, item.id)], number, ALERTS_A_PAGE, find)
        return self._pages.render(
            template,
            status,
            part=part,
            standing=[self._card(item) for item in part.items],
            past=[self._card(item) for item in past[:PAST_SHOWN]],
            past_total=len(past),
            problem=problem,
        )

    async def act(self, action: str, alert: str, request: Request) -> Response:
        """Acknowledge, shelve or unshelve by a form; back to the alerts, or the page again with what is wrong."""
        form = await own_form(request, self._guard)
        now = self._clock.now()
        found = self._desk.find(alert)
        if found is None:
            raise HTTPException(404, f"there is no alert {alert!r}")
        who.note(old={"state": found.state.value})
        try:
            by = author(form.get("name", ""))
            if action == "acknowledge":
                self._desk.acknowledge(alert, by=by, now=now)
            elif action == "shelve":
                until = now + shelve_hours(form.get("hours", "")) * 3600
                reason = reason_of(form.get("reason", ""))
                self._desk.shelve(alert, by=by, reason=reason, until=until, now=now)
            else:
                self._desk.unshelve(alert, by=by, now=now)
        except TallywireError as problem:
            return self.page("alerts.html", problem=problem, status=422)
        now_is = self._desk.find(alert)
        who.note(new={"state": found.state.value if now_is is None else now_is.state.value})
        self._live.touch()
        return RedirectResponse(f"/alerts#{alert}", status_code=303)

    def _card(self, alert: Alert) -> AlertCard:
        return AlertCard(alert=alert, transitions=self._desk.transitions(alert.id))


def router(alerts: AlertsPage) -> APIRouter:
    """The page, its fragment and the forms."""
    routes = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @routes.get("/alerts")
    async def page(number: PageNumber = 1, find: Find = "") -> Response:
        return alerts.page("alerts.html", number, find)

    @routes.get("/alerts/fragment")
    async def fragment(number: PageNumber = 1, find: Find = "") -> Response:
        return alerts.page("alerts_live.html", number, find)

    @routes.post("/alerts/{alert}/{action}")
    async def act(request: Request, alert: str, action: str) -> Response:
        if action not in {"acknowledge", "shelve", "unshelve"}:
            raise HTTPException(404, f"there is no action {action!r}")
        return await alerts.act(action, alert, request)

    return routes
