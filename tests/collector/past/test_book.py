"""Alerts of a time that is over: as they were then, and never a message now."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from checks.episodes import EpisodeChange
from collector.alerts.book import SERVICE, AlertBook
from collector.alerts.model import AlertState
from collector.alerts.policy import REMIND_S
from collector.history.state import StateDb
from collector.history.tables import OUTBOX
from collector.past.book import PastBook
from tests.collector.alerts.raised import T0, change, finding

BY = "shift technician (invented)"
END = T0 + 20_000.0
N, U, A, R = AlertState.NORMAL, AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED, AlertState.RETURNED


@pytest.fixture
def state(tmp_path: Path) -> Iterator[StateDb]:
    made = StateDb(tmp_path / "state.db")
    yield made
    made.close()


def lay(state: StateDb, changes: list[EpisodeChange]) -> int:
    with state.transaction() as connection:
        return PastBook(state).lay(connection, changes, end=END, told_by=BY, told_after=1200.0)


def messages(state: StateDb) -> int:
    with state.transaction() as connection:
        return int(connection.execute(sa.select(sa.func.count()).select_from(OUTBOX)).scalar_one())


def test_an_alert_of_the_past_has_its_own_times_and_its_whole_history(state: StateDb) -> None:
    assert lay(state, [change(), change("returned", finding(end=T0 + 5000), at=T0 + 5300)]) == 1
    book = AlertBook(state, ("mail",))
    (alert,) = book.past(0.0, END)
    assert (alert.raised, alert.acknowledged, alert.acknowledged_by, alert.returned) == (T0, T0 + 1200.0, BY, T0 + 5300.0)
    assert (alert.state, alert.active) == (N, False)
    steps = [(step.old, step.new, step.by, step.time) for step in book.transitions(alert.id)]
    assert steps == [(N, U, SERVICE, T0), (U, A, BY, T0 + 1200.0), (A, N, SERVICE, T0 + 5300.0)]


def test_one_that_returned_before_it_was_heard_of_is_acknowledged_afterwards(state: StateDb) -> None:
    lay(state, [change(), change("returned", finding(end=T0 + 300), at=T0 + 600)])
    steps = [(step.old, step.new) for step in AlertBook(state, ()).transitions(change().episode.id)]
    assert steps == [(N, U), (U, R), (R, N)]


@pytest.mark.parametrize("at", [T0, int(END) - 60], ids=["long before the end", "just before the end"])
def test_one_that_stands_at_the_end_is_watched_no_longer_and_does_not_stand_today(state: StateDb, at: int) -> None:
    lay(state, [change(at=at)])
    book = AlertBook(state, ("mail",))
    assert book.standing() == []
    (alert,) = book.past(0.0, END)
    assert (alert.active, alert.returned, alert.acknowledged) == (False, END, min(at + 1200.0, END))
    assert "no longer watched" in book.transitions(alert.id)[-1].note


def test_nothing_of_the_past_is_ever_told_to_anybody(state: StateDb) -> None:
    lay(state, [change(), change("refined", finding(cause="raw-span"), at=T0 + 900), change(number=2, at=T0 + 1000)])
    book = AlertBook(state, ("mail", "chat"))
    book.end_unwatched((), now=END + 10.0)
    book.tick(END + REMIND_S + 100.0)
    assert messages(state) == 0
    for alert in book.past(0.0, END):
        assert not any(step.message for step in book.transitions(alert.id))


def test_a_day_that_is_laid_again_changes_nothing(state: StateDb) -> None:
    changes = [change(), change("returned", finding(end=T0 + 300), at=T0 + 600)]
    assert lay(state, changes) == 1
    before = AlertBook(state, ()).transitions(change().episode.id)
    assert lay(state, changes) == 0
    assert AlertBook(state, ()).transitions(change().episode.id) == before
