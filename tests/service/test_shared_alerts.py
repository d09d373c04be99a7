"""Alerts of loops that change hands: the new owner goes on where the old one stopped, and nobody is told twice."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest
import sqlalchemy as sa

from checks.evaluation import BeltState, Evaluation, Totals
from checks.finding import Finding
from checks.result import Verdict
from collector.alerts.model import AlertState
from collector.clock import ManualClock
from collector.history.leases import SITE, Leases
from collector.history.postgres_state import PostgresState
from collector.history.tables import TRANSITIONS
from collector.live import LiveState
from collector.service.shared_alerts import SharedAlerts, open_shared_alerting
from config.errors import StoreError
from tests.collector.alerts.raised import T0, finding
from tests.collector.history.test_leases import LONG_UP, TTL_S
from tests.postgres import Server
from tests.service.fakes import site

TOTALS = Totals(gauge_t=None, plc_t=None, own_t=None, best_t=None, best_u_t=None, not_measured_s=0.0)


class Member:
    """One collector's leases and alerts of TB-07."""

    def __init__(self, name: str, address: str, clock: ManualClock) -> None:
        self.state = PostgresState(address)
        self.clock = clock
        self.leases = Leases(self.state, [{"TB-07"}], clock, owner=name, ttl_s=TTL_S)
        self.live = LiveState(site(), "")
        self.live.held, self.live.acts_for_site = frozenset({"TB-07"}), False
        self.alerts: SharedAlerts = open_shared_alerting(site(), self.state, self.leases, self.live, clock)

    def adopt(self) -> None:
        self.leases.turn()
        assert "TB-07" in self.leases.held
        self.live.acts_for_site = SITE in self.leases.held
        self.alerts.adopt("TB-07", self.alerts.restored("TB-07"))

    async def see(self, found: Finding | None, time_s: int, seconds: int) -> int:
        """Evaluations of the next seconds, written; the time behind them."""
        for second in range(time_s + 10, time_s + seconds + 10, 10):
            self.alerts.take(
                Evaluation(
                    loop="TB-07", time_s=second, state=BeltState.LOADED, suppressed="", results=(),
                    findings=() if found is None else (found,), chain=(), totals=TOTALS, verdict=Verdict.FAULT, site_sha256="",
                )
            )  # fmt: skip
        await self.alerts._write_pending()
        return time_s + seconds

    @property
    def states(self) -> list[AlertState]:
        return [alert.state for alert in self.alerts.desk.standing()]


class Two:
    """Two collectors on one database."""

    def __init__(self, address: str) -> None:
        self.address, self.clock = address, ManualClock(float(T0))
        self.one, self.other = Member("one", address, self.clock), Member("other", address, self.clock)

    def run_out(self) -> None:
        with psycopg.connect(self.address) as connection:
            connection.execute(LONG_UP)
            connection.execute("UPDATE leases SET expires = now() - interval '1 s'")
            connection.execute("DELETE FROM members")

    def transitions(self) -> list[tuple[str, str]]:
        with self.one.state.transaction(watching=True) as connection:
            return [(row.old, row.new) for row in connection.execute(sa.select(TRANSITIONS).order_by(TRANSITIONS.c.id))]


@pytest.fixture
def two(postgres_server: Server) -> Iterator[Two]:
    made = Two(postgres_server.database())
    yield made
    for member in (made.one, made.other):
        member.state.close()


async def test_alert_goes_on_with_the_new_owner_is_raised_once_and_returns_once(two: Two) -> None:
    two.one.adopt()
    now = await two.one.see(finding(), T0, 60)
    assert two.one.states == [AlertState.UNACKNOWLEDGED]
    two.run_out()
    two.other.adopt()
    now = await two.other.see(finding(), now, 60)
    assert two.other.states == [AlertState.UNACKNOWLEDGED]
    two.clock.step_wall(1200.0)
    await two.other.see(None, now, 300)
    assert two.transitions() == [("normal", "unacknowledged"), ("unacknowledged", "returned-unacknowledged")]


async def test_owner_that_was_superseded_writes_nothing_and_drops_what_waits_when_it_learns_of_it(two: Two) -> None:
    two.one.adopt()
    two.run_out()
    two.other.adopt()
    now = await two.one.see(finding(), T0, 60)
    assert "another collector has taken loops over" in two.one.live.problems["alerts"]
    assert two.transitions() == []
    two.one.leases.turn()
    two.one.alerts.release("TB-07")
    await two.one.alerts._write_pending()
    assert "alerts" not in two.one.live.problems
    await two.other.see(finding(), now, 60)
    assert two.transitions() == [("normal", "unacknowledged")]


async def test_what_changed_while_the_database_was_away_is_written_afterwards_and_shown_from_memory_meanwhile(
    two: Two,
) -> None:
    two.one.adopt()
    now = await two.one.see(finding(), T0, 60)
    assert two.one.states == [AlertState.UNACKNOWLEDGED]
    two.one.state.away = "no route"
    now = await two.one.see(None, now, 300)
    assert two.one.states == [AlertState.UNACKNOWLEDGED]
    assert two.one.alerts.desk.waiting() == 1
    with pytest.raises(StoreError, match="away"):
        two.one.alerts.desk.acknowledge("any", by="op", now=float(now))
    two.one.leases.turn()
    await two.one.alerts._write_pending()
    assert two.one.states == [AlertState.RETURNED]
    assert len(two.transitions()) == 2
