"""A life of alerts with orders, consequences, escalation and figures, on each kind of database."""

from __future__ import annotations

import json

import sqlalchemy as sa

from checks.finding import UNKNOWN
from checks.result import Link
from collector.alerts.book import AlertBook
from collector.alerts.model import AlertState
from collector.alerts.policy import Policy
from collector.delivery.desk import DeliveryDesk
from collector.history.outbox_rows import OutboxRows
from collector.history.tables import OUTBOX
from config.deliveries import Tell, WebhookDelivery
from tests.collector.alerts.raised import T0, change, finding
from tests.collector.history.conftest import Opener
from tests.collector.history.recorded import terminal

ID = "TB-07-scaling-block-1"
SHARED = {"TB-07": frozenset({"plc"}), "TB-08": frozenset({"plc"})}


def test_everything_that_can_happen_to_alerts_is_written_and_read_back(opened: Opener) -> None:
    store = opened()
    tells = {"chat": Tell(digest="07:00"), "lead": Tell(after=900.0)}
    book = AlertBook(store.state, Policy(tells=tells, endpoints=SHARED))
    book.take([change()], now=float(T0), trackers={"TB-07": {"last_s": T0}})
    book.take([change("returned")], now=T0 + 60.0)
    book.take([change(number=2)], now=T0 + 120.0)
    lost = [
        finding(loop=loop, link=Link.COMMUNICATION, cause=UNKNOWN, title="PLC is not read", rate_error_t_h=None)
        for loop in ("TB-07", "TB-08")
    ]
    book.take([change(found=item) for item in lost], now=T0 + 200.0)
    book.tick(T0 + 1200.0)
    book.take([change("returned", lost[0])], now=T0 + 1300.0)
    book.tick(T0 + 1600.0)
    states = {alert.id: alert.state for alert in book.standing()}
    assert states == {
        ID: AlertState.UNACKNOWLEDGED, "TB-07-communication-1": AlertState.RETURNED,
        "TB-08-communication-1": AlertState.UNACKNOWLEDGED,
    }  # fmt: skip
    book.accept(ID, by="R. Hald", owner="B. Ostrander", reason="known", until=T0 + 9e5, grow=1.0, now=T0 + 1700.0)
    book.take([change("refined", finding(rate_error_t_h=30.0), number=2)], now=T0 + 1800.0)
    book.remove(ID, by="R. Hald", reason="exchange", until=T0 + 9e5, now=T0 + 1900.0)
    book.restore(ID, by="R. Hald", now=T0 + 2000.0)
    assert book.holds() == []
    assert [(item.raised, item.returned) for item in book.past(T0, T0 + 130.0)] == [(T0 + 120.0, None), (T0, T0 + 60.0)]
    assert book.performance(T0 - 10.0, T0 + 2100.0).count == 6
    assert book.waiting() == 3
    book.tick(T0 + 86400.0)
    book.tick(T0 + 2 * 86400.0)
    with store.state.transaction() as connection:
        kinds = [
            json.loads(text)["kind"] for text in connection.execute(sa.select(OUTBOX.c.message).order_by(OUTBOX.c.id)).scalars()
        ]
    assert set(kinds) == {"raised", "returned", "again", "grown", "escalated", "digest"}
    assert OutboxRows(store.state).tallies()["chat"].waiting == sum(kind != "escalated" for kind in kinds)


def test_deliveries_are_tested_given_up_and_sent_again(opened: Opener) -> None:
    store = opened()
    site = terminal(deliveries={"chat": WebhookDelivery(kind="webhook", url_env="CHAT_URL")})
    desk = DeliveryDesk(store.state, site, {})
    number = desk.test("chat", by="R. Hald", now=float(T0))
    with store.state.transaction() as connection:
        connection.execute(OUTBOX.update().values(dead=True, error="HTTP 503"))
    (dead,) = desk.dead()
    assert (dead.number, dead.what, dead.error) == (number, "test: Test message for chat, ordered by R. Hald", "HTTP 503")
    desk.resend(number, now=T0 + 1.0)
    (line,) = desk.lines()
    assert (line.tally.waiting, line.tally.dead, line.tally.last) == (1, 0, None)
