"""Alerting: what changes in the episodes reaches the book, also after a disk that was full, a restart, a loop that is gone."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa

from checks.evaluation import BeltState, Evaluation, Totals
from checks.finding import Finding
from checks.result import Verdict
from collector.access.audit import Action, AuditLog
from collector.alerts.book import AlertBook
from collector.alerts.model import AlertState
from collector.alerts.policy import REMIND_S
from collector.clock import ManualClock
from collector.history.state import StateDb
from collector.history.tables import TRACKERS, TRANSITIONS
from collector.live import LiveState
from collector.service.alerting import Alerts, open_alerting
from config.errors import StoreError
from tests.collector.alerts.raised import T0, finding
from tests.service.fakes import site
from tests.service.waiting import SOON, until

PERIOD_S = 10
TOTALS = Totals(gauge_t=None, plc_t=None, own_t=None, best_t=None, best_u_t=None, not_measured_s=0.0)


class Terminal:
    """The alerts of one loop over a state database, and evaluations for them."""

    def __init__(self, folder: Path) -> None:
        self.state = StateDb(folder / "state.db")
        self.clock = ManualClock(float(T0))
        self.live = LiveState(site(), "")
        self.time_s = T0
        self.alerts = self.opened()

    def opened(self, *loops: str) -> Alerts:
        return open_alerting(site(*loops), self.state, self.live, self.clock)

    def see(self, found: Finding | None, seconds: int, suppressed: str = "") -> None:
        """Evaluations of the next `seconds`, each with the finding."""
        for _ in range(0, seconds, PERIOD_S):
            self.time_s += PERIOD_S
            self.clock.step_wall(PERIOD_S)
            self.alerts.take(
                Evaluation(
                    loop="TB-07", time_s=self.time_s, state=BeltState.LOADED, suppressed=suppressed, results=(),
                    findings=() if found is None else (found,), chain=(), totals=TOTALS, verdict=Verdict.FAULT, site_sha256="",
                )
            )  # fmt: skip

    @property
    def states(self) -> list[AlertState]:
        return [alert.state for alert in self.alerts.desk.standing()]


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    made = Terminal(tmp_path)
    yield made
    made.state.close()


def test_finding_that_stands_is_raised_and_returns_when_it_is_gone(terminal: Terminal) -> None:
    terminal.see(finding(), 60)
    assert terminal.states == [AlertState.UNACKNOWLEDGED]
    terminal.see(None, 300)
    assert terminal.states == [AlertState.RETURNED]


def test_alert_goes_on_over_a_restart_and_is_raised_once(terminal: Terminal) -> None:
    terminal.see(finding(), 60)
    terminal.alerts = terminal.opened()
    terminal.see(finding(), 60)
    assert terminal.states == [AlertState.UNACKNOWLEDGED]
    terminal.see(None, 300)
    assert terminal.states == [AlertState.RETURNED]


def test_people_at_work_suppress_what_stands_and_it_comes_back_by_its_condition(terminal: Terminal) -> None:
    terminal.see(finding(), 60)
    (alert,) = terminal.alerts.desk.standing()
    terminal.alerts.desk.acknowledge(alert.id, by="R. Hald", now=terminal.clock.now())
    terminal.see(finding(), 60, "maintenance")
    assert terminal.states == [AlertState.SUPPRESSED]
    terminal.see(finding(), 60)
    assert terminal.states == [AlertState.UNACKNOWLEDGED]
    (alert,) = terminal.alerts.desk.standing()
    assert (alert.acknowledged, alert.acknowledged_by) == (None, "")
    assert [step.note for step in terminal.alerts.desk.transitions(alert.id)][-2:] == [
        "suppressed by design: maintenance",
        "the reason for suppression has ended",
    ]


def test_belt_that_stops_leaves_an_acknowledged_alert_acknowledged(terminal: Terminal) -> None:
    terminal.see(finding(), 60)
    (alert,) = terminal.alerts.desk.standing()
    terminal.alerts.desk.acknowledge(alert.id, by="R. Hald", now=terminal.clock.now())
    for _ in range(3):
        terminal.see(None, 600, "belt stopped")
        terminal.see(finding(), 60)
    assert terminal.states == [AlertState.ACKNOWLEDGED]


def test_suppression_that_ended_while_the_service_was_down_ends_at_the_first_evaluation(terminal: Terminal) -> None:
    terminal.see(finding(), 60)
    terminal.see(finding(), 20, "calibrating")
    terminal.alerts = terminal.opened()
    terminal.see(finding(), 10)
    assert terminal.states == [AlertState.UNACKNOWLEDGED]


def test_full_disk_is_a_problem_and_nothing_is_lost(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*arguments: object, **named: object) -> None:
        raise StoreError("the disk is full")

    with monkeypatch.context() as full:
        full.setattr(AlertBook, "take", refuse)
        terminal.see(finding(), 60)
        assert "the disk is full" in terminal.live.problems["alerts"]
    terminal.see(finding(), 10)
    assert "alerts" not in terminal.live.problems
    assert terminal.states == [AlertState.UNACKNOWLEDGED]


async def test_disk_that_is_full_when_time_passes_ends_nothing(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(book: AlertBook, now: float) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr(AlertBook, "tick", refuse)
    stop = asyncio.Event()
    running = asyncio.create_task(terminal.alerts.run(stop))
    await until(lambda: "alerts" in terminal.live.problems)
    assert not running.done()
    stop.set()
    await asyncio.wait_for(running, SOON)


def test_episodes_of_another_version_begin_anew_and_their_alerts_end(terminal: Terminal) -> None:
    terminal.see(finding(), 60)
    with terminal.state.transaction() as connection:
        connection.execute(TRACKERS.update().values(state='{"tracks": [{}], "last_s": 1}'))
    terminal.alerts = terminal.opened()
    assert terminal.states == [AlertState.RETURNED]
    terminal.see(finding(), 60)
    assert terminal.states == [AlertState.UNACKNOWLEDGED]  # the same fault at the same link: the same alert again


def test_alert_of_a_loop_that_left_the_site_ends(terminal: Terminal) -> None:
    terminal.see(finding(), 60)
    terminal.alerts = terminal.opened("TB-08")
    assert terminal.states == [AlertState.RETURNED]


def test_urgent_alert_that_nobody_acknowledges_is_told_once_more(terminal: Terminal) -> None:
    book = AlertBook(terminal.state, ("chat",))
    terminal.see(finding(), 60)
    (alert,) = book.standing()
    book.tick(alert.raised + REMIND_S - 1.0)
    assert told(terminal) == 1
    for late in (0.0, 1.0, REMIND_S):
        book.tick(alert.raised + REMIND_S + late)
    assert told(terminal) == 2


def test_acknowledged_or_less_urgent_alerts_are_not_told_again(terminal: Terminal) -> None:
    terminal.see(replace(finding(), rate_error_t_h=1.0), 60)
    AlertBook(terminal.state, ("chat",)).tick(terminal.clock.now() + 2.0 * REMIND_S)
    assert told(terminal) == 1


def told(terminal: Terminal) -> int:
    with terminal.state.transaction() as connection:
        wanted = sa.select(sa.func.count()).where(TRANSITIONS.c.message.is_(True))
        return int(connection.execute(wanted).scalar_one())


def test_time_that_changes_an_alert_wakes_the_pages(terminal: Terminal) -> None:
    terminal.see(finding(), 60)
    (alert,) = terminal.alerts.desk.standing()
    terminal.alerts.desk.shelve(alert.id, by="x", reason="y", until=terminal.clock.now() + 60.0, now=terminal.clock.now())
    terminal.alerts._tick()
    before = terminal.live.news
    terminal.alerts._tick()
    assert terminal.live.news == before
    terminal.clock.step_wall(60.0)
    terminal.alerts._tick()
    assert terminal.live.news == before + 1
    assert terminal.states == [AlertState.UNACKNOWLEDGED]


def test_daily_summary_carries_the_end_of_the_audit_log_of_the_day_before(terminal: Terminal) -> None:
    log = AuditLog(terminal.state)
    day = datetime.fromtimestamp(T0, UTC).date()
    for number in range(3):
        log.add(Action(time=T0 + 60.0 * number, who="R. Hald", kind="account", address="127.0.0.1", what="sign in"))
    log.add(Action(time=T0 + 2 * 86400.0, who="R. Hald", kind="account", address="127.0.0.1", what="sign in"))
    last = log.head(T0 + 86400.0)
    assert last is not None
    book = terminal.alerts.desk
    assert isinstance(book, AlertBook)
    assert book.audit_head is not None
    assert book.audit_head(day) == f"entry {last.number}, {last.sha256}"
    assert last.number == 3
    assert book.audit_head(day - timedelta(days=2)) == ""
