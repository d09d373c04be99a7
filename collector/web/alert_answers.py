"""From alerts, orders, figures and deliveries to the answers of REST."""

from __future__ import annotations

from collections.abc import Sequence

from collector.alerts.holds import Hold, amount_of
from collector.alerts.model import Alert, Transition
from collector.alerts.performance import Performance, in_hand
from collector.alerts.priority import rationale_of
from collector.delivery.desk import DeliveryDesk, DeliveryLine, WaitingLine
from collector.web import alert_schemas as schemas
from collector.web import answers
from collector.web.answers import time_of
from collector.web.words import finite, iso
from config.cautions import CAUTIONS


def alert(item: Alert, tolerable_t: float, transitions: Sequence[Transition] | None = None) -> schemas.AlertOut:
    """An alert, with its history where it is given."""
    why, amount = rationale_of(item.finding, tolerable_t), amount_of(item.finding)
    return schemas.AlertOut(
        id=item.id, loop=item.loop, link=item.link, state=item.state.value, active=item.active, priority=item.priority.value,
        consequence=why.consequence, response=why.response, respond_within_s=why.respond_within_s, roles=list(why.roles),
        raised=time_of(item.raised), first_raised=time_of(item.begun), reopened=item.reopened, parent=item.parent,
        returned=iso(item.returned), acknowledged=iso(item.acknowledged), acknowledged_by=item.acknowledged_by,
        waiting_since=iso(item.waiting_since), shelved_until=iso(item.shelved_until), shelved_by=item.shelved_by,
        shelve_reason=item.shelve_reason, amount=finite(amount[2]) if amount else None, amount_unit=amount[1] if amount else "",
        finding=answers.finding(item.finding, CAUTIONS),
        transitions=None if transitions is None else [transition(change) for change in transitions],
    )  # fmt: skip


def transition(change: Transition) -> schemas.TransitionOut:
    """One change of an alert."""
    return schemas.TransitionOut(
        time=time_of(change.time), old=change.old.value, new=change.new.value, by=change.by, note=change.note
    )


def hold(item: Hold) -> schemas.HoldOut:
    """An order."""
    return schemas.HoldOut(
        number=item.id, kind=item.kind.value, loop=item.loop, link=item.link, cause=item.cause, by=item.by, owner=item.owner,
        reason=item.reason, made=time_of(item.made), until=time_of(item.until), measure=item.measure, unit=item.unit,
        amount=finite(item.amount), limit=finite(item.limit), ended=iso(item.ended), ended_by=item.ended_by,
    )  # fmt: skip


def performance(found: Performance, standing: Sequence[Alert], operators: int) -> schemas.PerformanceOut:
    """The figures of the alarm system, with what is in hand now."""
    return schemas.PerformanceOut(
        begin=time_of(found.begin), end=time_of(found.end), days=found.days, graded=found.graded, operators=operators,
        count=found.count,
        figures=[
            schemas.FigureOut(
                name=item.name, title=item.title, value=finite(item.value), unit=item.unit, target=item.target,
                source=item.source, met=item.met,
            )
            for item in found.figures
        ],
        frequent=[
            schemas.FrequentOut(loop=item.loop, link=item.link, count=item.count, share=item.share) for item in found.frequent
        ],
        priorities=found.priorities, states={state.value: count for state, count in in_hand(standing).items()},
        chattering=list(found.chattering), stale=list(found.stale),
    )  # fmt: skip


def delivery(item: DeliveryLine) -> schemas.DeliveryOut:
    """A delivery."""
    return schemas.DeliveryOut(
        name=item.name, kind=item.kind, shown=item.shown, told=item.told, waiting=item.tally.waiting, dead=item.tally.dead,
        delivered=item.tally.delivered, last_delivered=iso(item.tally.last), error=item.error,
    )  # fmt: skip


def message(item: WaitingLine) -> schemas.MessageOut:
    """A message that waits or was given up."""
    return schemas.MessageOut(
        number=item.number, delivery=item.target, what=item.what, created=time_of(item.created), attempts=item.attempts,
        next_try=time_of(item.next_try), error=item.error,
    )  # fmt: skip


def deliveries(desk: DeliveryDesk) -> schemas.DeliveriesOut:
    """Everything about deliveries."""
    return schemas.DeliveriesOut(
        deliveries=[delivery(item) for item in desk.lines()],
        waiting=[message(item) for item in desk.waiting()],
        dead=[message(item) for item in desk.dead()],
    )
