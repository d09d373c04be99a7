"""REST of the alerts: what stands, what people order about it, the figures of the alarm system, the deliveries."""

from __future__ import annotations

from fastapi import APIRouter, HTTPException

from collector.alerts.desk import AlertDesk
from collector.alerts.model import Alert
from collector.clock import Clock
from collector.delivery.desk import DeliveryDesk
from collector.live import LiveState
from collector.web import alert_answers as answers
from collector.web import alert_schemas as schemas
from collector.web import who
from collector.web.api import EVENT_SPAN, PROBLEMS
from collector.web.forms import NAME_LENGTH, author, reason_of, typed, unprocessable
from collector.web.times import From, To, stretch
from config.errors import TallywireError

FIGURES_SPAN = 30 * 86400.0


def router(live: LiveState, desk: AlertDesk, deliveries: DeliveryDesk | None, clock: Clock) -> APIRouter:
    """The routes of the alerts in REST version 1."""
    routes = APIRouter(prefix="/api/v1", responses=PROBLEMS)
    tolerable = live.site.alerting.tolerable

    def stands(alert: str) -> Alert:
        found = desk.find(alert)
        if found is None:
            raise HTTPException(404, f"there is no alert {alert!r}")
        who.note(old={"state": found.state.value})
        return found

    def changed(alert: Alert) -> schemas.AlertOut:
        who.note(new={"state": alert.state.value})
        live.touch()
        return answers.alert(alert, tolerable, desk.transitions(alert.id))

    def post() -> DeliveryDesk:
        if deliveries is None:
            raise HTTPException(503, "this page runs without deliveries")
        return deliveries

    @routes.get("/alerts", summary="Standing alerts, most urgent first; with a time, those raised last in it, newest first")
    async def alerts(begin: From = None, to: To = None) -> list[schemas.AlertOut]:
        if begin is None and to is None:
            return [answers.alert(item, tolerable) for item in desk.standing()]
        first, last = stretch(begin, to, clock.now(), EVENT_SPAN)
        return [answers.alert(item, tolerable) for item in desk.over(first, last)]

    @routes.get(
        "/alerts/performance", summary="Figures of the alarm system beside the usual yardsticks; 30 days without a time"
    )
    async def performance(begin: From = None, to: To = None) -> schemas.PerformanceOut:
        first, last = stretch(begin, to, clock.now(), FIGURES_SPAN)
        return answers.performance(desk.performance(first, last), desk.standing(), live.site.alerting.operators)

    @routes.get("/alerts/holds", summary="Links out of service and findings that are accepted")
    async def holds() -> list[schemas.HoldOut]:
        return [answers.hold(item) for item in desk.holds()]

    @routes.post("/alerts/holds/{number}/end", summary="End one of them")
    async def end_hold(number: int, body: schemas.Acknowledge) -> schemas.HoldOut:
        with unprocessable():
            by = author(body.by)
        if all(item.id != number for item in desk.holds()):
            raise HTTPException(404, f"there is no order {number} in force")
        ended = desk.end_hold(number, by=by, now=clock.now())
        live.touch()
        return answers.hold(ended)

    @routes.get("/alerts/{alert}", summary="An alert with everything that happened to it")
    async def alert_(alert: str) -> schemas.AlertOut:
        return answers.alert(stands(alert), tolerable, desk.transitions(alert))

    @routes.post("/alerts/{alert}/acknowledge", summary="Acknowledge an alert")
    async def acknowledge(alert: str, body: schemas.Acknowledge) -> schemas.AlertOut:
        stands(alert)
        with unprocessable():
            by = author(body.by)
        return changed(desk.acknowledge(alert, by=by, now=clock.now()))

    @routes.post("/alerts/{alert}/shelve", summary="Shelve an alert for some hours")
    async def shelve(alert: str, body: schemas.Shelve) -> schemas.AlertOut:
        stands(alert)
        with unprocessable():
            by, reason = author(body.by), reason_of(body.reason)
        now = clock.now()
        return changed(desk.shelve(alert, by=by, reason=reason, until=now + body.hours * 3600, now=now))

    @routes.post("/alerts/{alert}/unshelve", summary="End the shelving of an alert, or the acceptance of its finding")
    async def unshelve(alert: str, body: schemas.Unshelve) -> schemas.AlertOut:
        stands(alert)
        with unprocessable():
            by = author(body.by)
        return changed(desk.unshelve(alert, by=by, now=clock.now()))

    @routes.post("/alerts/{alert}/out-of-service", summary="Take the alerts of a link out of service for some hours")
    async def remove(alert: str, body: schemas.Remove) -> schemas.AlertOut:
        stands(alert)
        with unprocessable():
            by, reason = author(body.by), reason_of(body.reason)
        now = clock.now()
        return changed(desk.remove(alert, by=by, reason=reason, until=now + body.hours * 3600, now=now))

    @routes.post("/alerts/{alert}/restore", summary="Put the alerts of a link back in service")
    async def restore(alert: str, body: schemas.Acknowledge) -> schemas.AlertOut:
        stands(alert)
        with unprocessable():
            by = author(body.by)
        return changed(desk.restore(alert, by=by, now=clock.now()))

    @routes.post("/alerts/{alert}/accept", summary="Accept a finding until a day, or until it has grown")
    async def accept(alert: str, body: schemas.Accept) -> schemas.AlertOut:
        stands(alert)
        with unprocessable():
            by, owner, reason = author(body.by), owner_of(body.owner), reason_of(body.reason)
        now = clock.now()
        until = now + body.days * 86400
        return changed(desk.accept(alert, by=by, owner=owner, reason=reason, until=until, grow=body.grow, now=now))

    @routes.get("/deliveries", summary="Where alerts go, what waits and what was given up")
    async def deliveries_() -> schemas.DeliveriesOut:
        return answers.deliveries(post())

    @routes.post("/deliveries/{name}/test", summary="Send a test message")
    async def test(name: str, body: schemas.Acknowledge) -> schemas.QueuedOut:
        """It goes into the outbox like every other message and leaves within a second or two."""
        if name not in live.site.deliveries:
            raise HTTPException(404, f"the site file has no delivery {name!r}")
        with unprocessable():
            by = author(body.by)
        return schemas.QueuedOut(number=post().test(name, by=by, now=clock.now()), delivery=name)

    @routes.post("/deliveries/messages/{number}/resend", summary="Try a message again that was given up")
    async def resend(number: int, body: schemas.Acknowledge) -> schemas.QueuedOut:
        with unprocessable():
            author(body.by)
        dead = next((item for item in post().dead() if item.number == number), None)
        if dead is None:
            raise HTTPException(404, f"no message {number} was given up")
        try:
            post().resend(number, now=clock.now())
        except TallywireError as error:
            raise HTTPException(404, error.what) from error
        return schemas.QueuedOut(number=number, delivery=dead.target)

    return routes


def owner_of(text: str) -> str:
    """Who answers for what is accepted, as typed: it may be somebody else than who orders it."""
    return typed(text, "an owner", NAME_LENGTH)
