from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from checks.finding import Finding
from collector.alerts.book import LONGEST_SHELVE_S, SERVICE, AlertBook
from collector.alerts.model import Alert, AlertState, Priority
from collector.history.alert_rows import AlertRows
from collector.history.state import StateDb
from collector.history.tables import ALERTS, OUTBOX, TRACKERS, TRANSITIONS
from config.errors import TallywireError
from tests.collector.alerts.raised import T0, change, finding

ID = "TB-07-scaling-block-1"
N, U, A, R = AlertState.NORMAL, AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED, AlertState.RETURNED
SH = AlertState.SHELVED
TARGETS = ("mail", "chat")


@pytest.fixture
def state(tmp_path: Path) -> Iterator[StateDb]:
    made = StateDb(tmp_path / "state.db")
    yield made
    made.close()


@pytest.fixture
def book(state: StateDb) -> AlertBook:
    return AlertBook(state, TARGETS)


def rows(state: StateDb, table: sa.Table) -> list[dict[str, Any]]:
    with state.transaction() as connection:
        return [dict(row._mapping) for row in connection.execute(sa.select(table))]


def messages(state: StateDb) -> list[tuple[str, str]]:
    """Target and kind of every message, in the order of the outbox."""
    return [(row["target"], json.loads(row["message"])["kind"]) for row in rows(state, OUTBOX)]


def steps(book: AlertBook, alert: str = ID) -> list[tuple[AlertState, AlertState, str, bool]]:
    return [(step.old, step.new, step.by, step.message) for step in book.transitions(alert)]


def state_of(book: AlertBook, alert: str = ID) -> AlertState:
    found = book.find(alert)
    assert found is not None
    return found.state


def test_raised_acknowledged_returned_is_normal_again_with_its_whole_history(book: AlertBook, state: StateDb) -> None:
    book.take([change()], now=T0 + 1.0)
    (alert,) = book.standing()
    assert (alert.id, alert.loop, alert.link, alert.state, alert.active) == (ID, "TB-07", "scaling-block", U, True)
    assert (alert.priority, alert.raised, alert.finding) == (Priority.HIGH, T0 + 1.0, finding())
    known = book.acknowledge(ID, by="R. Hald", now=T0 + 60.0)
    assert (known.state, known.acknowledged, known.acknowledged_by) == (A, T0 + 60.0, "R. Hald")
    book.take([change("returned", finding(end=T0 + 300))], now=T0 + 420.0)
    assert book.standing() == []
    (past,) = book.past(T0, T0 + 10.0)
    assert (past.state, past.active, past.returned, past.finding.end) == (N, False, T0 + 420.0, T0 + 300)
    assert [step[:3] for step in steps(book)] == [(N, U, SERVICE), (U, A, "R. Hald"), (A, N, SERVICE)]
    assert messages(state)[:2] == [("mail", "raised"), ("chat", "raised")]


def test_returned_before_it_was_acknowledged_still_asks_for_attention(book: AlertBook, state: StateDb) -> None:
    book.take([change()], now=T0)
    book.take([change("returned")], now=T0 + 100.0)
    assert state_of(book) is R
    assert [alert.id for alert in book.standing()] == [ID]
    assert messages(state) == [("mail", "raised"), ("chat", "raised"), ("mail", "returned"), ("chat", "returned")]
    assert book.acknowledge(ID, by="R. Hald", now=T0 + 200.0).state is N
    assert [step[:2] for step in steps(book)] == [(N, U), (U, R), (R, N)]


def test_who_was_told_of_an_alert_is_told_of_its_end_though_it_was_acknowledged(book: AlertBook, state: StateDb) -> None:
    book.take([change()], now=T0)
    book.acknowledge(ID, by="A. Meyer", now=T0 + 50.0)
    book.take([change("returned")], now=T0 + 100.0)
    assert state_of(book) is N
    assert messages(state) == [("mail", "raised"), ("chat", "raised"), ("mail", "returned"), ("chat", "returned")]


def test_condition_that_comes_again_asks_anew(book: AlertBook) -> None:
    book.take([change()], now=T0)
    book.take([change("returned")], now=T0 + 100.0)
    book.take([change("raised", finding(tonnes=9.0))], now=T0 + 150.0)
    found = book.find(ID)
    assert found is not None
    assert (found.state, found.active, found.returned, found.finding.tonnes) == (U, True, None, 9.0)
    assert (found.begun, found.raised, found.reopened) == (T0, T0 + 150.0, 1)


def test_acknowledging_twice_or_what_is_normal_changes_nothing(book: AlertBook) -> None:
    book.take([change()], now=T0)
    first = book.acknowledge(ID, by="R. Hald", now=T0 + 1.0)
    assert book.acknowledge(ID, by="somebody else", now=T0 + 2.0) == first
    book.take([change("returned")], now=T0 + 3.0)
    assert book.acknowledge(ID, by="somebody else", now=T0 + 4.0).acknowledged_by == "R. Hald"
    assert len(steps(book)) == 3


def test_refined_cause_is_told_once_and_kept_always(book: AlertBook, state: StateDb) -> None:
    book.take([change()], now=T0)
    for number, cause in enumerate(("ai-gain", "clamped", "ai-gain"), 1):
        book.take([change("refined", finding(cause=cause))], now=T0 + 400.0 * number)
    book.take([change("refined", finding(cause="ai-gain", tonnes=77.0))], now=T0 + 2000.0)
    found = book.find(ID)
    assert found is not None
    assert (found.state, found.finding.cause, found.finding.tonnes) == (U, "ai-gain", 77.0)
    assert [target for target, kind in messages(state) if kind == "refined"] == ["mail", "chat"]
    assert [step.note for step in book.transitions(ID)][1:] == [
        "the cause is now ai-gain (was range-mismatch)", "the cause is now clamped (was ai-gain)",
        "the cause is now ai-gain (was clamped)",
    ]  # fmt: skip


def test_messages_have_keys_of_their_own(book: AlertBook, state: StateDb) -> None:
    book.take([change()], now=T0)
    book.take([change("refined", finding(cause="ai-gain"))], now=T0 + 400.0)
    book.take([change("returned")], now=T0 + 500.0)
    keys = [row["key"] for row in rows(state, OUTBOX)]
    assert len(keys) == len(set(keys)) == 6
    assert all(key.startswith(f"{ID}/") for key in keys)


@pytest.mark.parametrize("broken", ["post", "note", "change", "add", "keep_tracker"])
def test_error_on_the_way_leaves_nothing_written(
    book: AlertBook, state: StateDb, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    book.take([change()], now=T0, trackers={"TB-07": {"last_s": 1}})
    before = [rows(state, table) for table in (ALERTS, TRANSITIONS, OUTBOX, TRACKERS)]
    real, calls = getattr(AlertRows, broken), iter(range(100))
    last = {"keep_tracker": 0}.get(broken, 1)

    def breaking(*args: Any, **named: Any) -> Any:
        if next(calls) == last:
            raise RuntimeError("the process ends here")
        return real(*args, **named)

    changes = [change("returned"), change(found=finding(loop="TB-08"), number=2), change(found=finding(loop="TB-09"), number=3)]
    with monkeypatch.context() as patch:
        patch.setattr(AlertRows, broken, breaking)
        with pytest.raises(RuntimeError, match="ends here"):
            book.take(changes, now=T0 + 9.0, trackers={"TB-07": {"last_s": 2}})
    assert [rows(state, table) for table in (ALERTS, TRANSITIONS, OUTBOX, TRACKERS)] == before
    book.take(changes, now=T0 + 9.0, trackers={"TB-07": {"last_s": 2}})
    assert [alert.id[-1] for alert in book.past(T0 + 1.0, T0 + 10.0)] == ["3", "2"]
    assert book.trackers() == {"TB-07": {"last_s": 2}}


def test_restart_finds_everything_as_it_was(book: AlertBook, state: StateDb, tmp_path: Path) -> None:
    trackers: dict[str, dict[str, Any]] = {
        "TB-07": {"last_s": T0, "tracks": [{"link": "counts"}]},
        "TB-08": {"last_s": None, "tracks": []},
    }
    book.take([change(), change(number=2)], now=T0, trackers=trackers)
    book.acknowledge(ID, by="R. Hald", now=T0 + 1.0)
    book.shelve("TB-07-scaling-block-2", by="R. Hald", reason="range is changed today", until=T0 + 3600.0, now=T0 + 2.0)
    book.take([change("refined", finding(cause="ai-gain"))], now=T0 + 3.0)
    before = (book.standing(), steps(book), messages(state))
    state.close()
    other = StateDb(tmp_path / "state.db")
    again = AlertBook(other, TARGETS)
    assert (again.standing(), steps(again), messages(other)) == before
    assert again.trackers() == trackers
    again.take([change("refined", finding(cause="clamped"))], now=T0 + 4.0)
    assert messages(other) == before[2]  # one message about a refined cause, also over a restart
    other.close()


def test_shelved_alert_is_silent_and_follows_its_condition_when_the_time_is_over(book: AlertBook, state: StateDb) -> None:
    book.take([change(), change(number=2)], now=T0)
    told = messages(state)
    for number in (1, 2):
        shelved = book.shelve(f"{ID[:-1]}{number}", by="R. Hald", reason="known", until=T0 + 3600.0, now=T0 + 1.0)
        assert (shelved.state, shelved.shelved_by, shelved.shelve_reason) == (SH, "R. Hald", "known")
    book.take([change("returned")], now=T0 + 10.0)
    book.take([change("refined", finding(cause="ai-gain"), number=2)], now=T0 + 20.0)
    assert messages(state) == told
    book.tick(T0 + 3599.0)
    assert [alert.state for alert in book.standing()] == [SH, SH]
    book.tick(T0 + 3600.0)
    assert state_of(book) is N
    assert state_of(book, f"{ID[:-1]}2") is U
    (alert,) = book.standing()
    assert (alert.shelved_until, alert.shelved_by, alert.shelve_reason) == (None, "", "")
    book.tick(T0 + 9999.0)
    assert len(book.transitions(ID)) == 4


@pytest.mark.parametrize(("active", "wanted"), [(True, U), (False, N)])
def test_unshelving_goes_by_the_condition_now(book: AlertBook, active: bool, wanted: AlertState) -> None:
    book.take([change()], now=T0)
    book.acknowledge(ID, by="R. Hald", now=T0 + 1.0)
    book.shelve(ID, by="R. Hald", reason="known", until=T0 + 3600.0, now=T0 + 2.0)
    if not active:
        book.take([change("returned")], now=T0 + 3.0)
    assert book.unshelve(ID, by="B. Ostrander", now=T0 + 4.0).state is wanted
    assert steps(book)[-1] == (SH, wanted, "B. Ostrander", False)


@pytest.mark.parametrize(
    ("reason", "until", "says"),
    [
        ("", T0 + 60.0, "needs a reason"),
        ("  ", T0 + 60.0, "needs a reason"),
        ("known", float(T0), "within 30 days"),
        ("known", T0 + LONGEST_SHELVE_S + 1.0, "within 30 days"),
        ("known", float("nan"), "within 30 days"),
        ("known", float("inf"), "within 30 days"),
    ],
)
def test_shelving_without_reason_or_end_is_refused(book: AlertBook, reason: str, until: float, says: str) -> None:
    book.take([change()], now=T0)
    with pytest.raises(TallywireError, match=says):
        book.shelve(ID, by="R. Hald", reason=reason, until=until, now=float(T0))
    assert state_of(book) is U


def test_actions_on_what_is_not_there_or_not_shelved_are_refused(book: AlertBook) -> None:
    book.take([change()], now=T0)
    with pytest.raises(TallywireError, match="no such alert"):
        book.acknowledge("TB-99", by="x", now=T0)
    with pytest.raises(TallywireError, match="no such alert"):
        book.shelve("TB-99", by="x", reason="y", until=T0 + 1.0, now=T0)
    with pytest.raises(TallywireError, match="no such alert"):
        book.unshelve("TB-99", by="x", now=T0)
    with pytest.raises(TallywireError, match="not shelved"):
        book.unshelve(ID, by="x", now=T0)
    assert book.find("TB-99") is None
    assert book.transitions("TB-99") == []


def test_return_of_what_was_never_raised_is_nothing(book: AlertBook, state: StateDb) -> None:
    book.take([change("returned")], now=T0)
    assert rows(state, ALERTS) == rows(state, OUTBOX) == []


def test_names_with_odd_characters_are_kept_as_given(book: AlertBook) -> None:
    name = "<script>alert('x')</script>\"; DROP TABLE alerts; -- \N{SNOWMAN}\u202e\x07 %s {0}"
    book.take([change("raised", finding(sentence=name, advice=(name,)))], now=T0)
    assert book.acknowledge(ID, by=name, now=T0 + 1.0).acknowledged_by == name
    book.shelve(ID, by=name, reason=name, until=T0 + 60.0, now=T0 + 2.0)
    found = book.find(ID)
    assert found is not None
    assert (found.acknowledged_by, found.shelved_by, found.shelve_reason) == (name, name, name)
    assert (found.finding.sentence, found.finding.advice) == (name, (name,))
    assert [step.by for step in book.transitions(ID)] == [SERVICE, name, name]


def test_standing_shows_what_asks_for_attention_first_then_the_most_urgent(book: AlertBook) -> None:
    def raised(number: int, found: Finding) -> None:
        book.take([change("raised", found, number=number)], now=float(T0 + number))

    raised(1, finding(rate_error_t_h=1.0))
    raised(2, finding())
    raised(3, finding(rate_error_t_h=2.0))
    raised(4, finding())
    raised(5, finding())
    book.acknowledge(f"{ID[:-1]}5", by="x", now=T0 + 10.0)
    order: list[Alert] = book.standing()
    assert [alert.id[-1] for alert in order] == ["4", "2", "3", "1", "5"]
    assert [alert.id[-1] for alert in book.past(T0, T0 + 5.0)] == ["4", "3", "2", "1"]
    assert [alert.id[-1] for alert in book.past(T0, T0 + 9.0, limit=2)] == ["5", "4"]


def test_number_that_is_not_finite_does_not_stop_the_book(book: AlertBook) -> None:
    book.take([change("raised", finding(tonnes=float("nan"), rate_error_t_h=float("inf")))], now=T0)
    (alert,) = book.standing()
    assert (alert.finding.tonnes, alert.finding.rate_error_t_h) == (None, None)


def test_suppressed_alert_comes_back_by_its_condition(book: AlertBook, state: StateDb) -> None:
    book.take([change(), change(number=2)], now=T0)
    with state.transaction() as connection:
        connection.execute(ALERTS.update().values(state=AlertState.SUPPRESSED.value))
        connection.execute(ALERTS.update().where(ALERTS.c.id == ID).values(active=False))
    book.note_suppression("TB-07", "belt stopped", now=T0 + 1.0)
    assert state_of(book) is AlertState.SUPPRESSED
    with pytest.raises(TallywireError, match="cannot be shelved"):
        book.shelve(ID, by="x", reason="y", until=T0 + 60.0, now=T0 + 2.0)
    book.note_suppression("TB-08", "", now=T0 + 3.0)
    assert state_of(book) is AlertState.SUPPRESSED
    book.note_suppression("TB-07", "", now=T0 + 4.0)
    assert (state_of(book), state_of(book, f"{ID[:-1]}2")) == (N, U)
