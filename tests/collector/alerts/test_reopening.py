"""An alert that comes back soon is the same alert: one id, one history, few messages, and every time that it stood is kept."""

from __future__ import annotations

import pytest

from checks.finding import UNKNOWN
from checks.result import Link
from collector.alerts.model import AlertState
from collector.alerts.policy import REOPEN_S
from tests.collector.alerts.conftest import Make
from tests.collector.alerts.raised import T0, change, finding

ID = "TB-07-scaling-block-1"
U, A, R, N = AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED, AlertState.RETURNED, AlertState.NORMAL


def test_same_fault_within_the_time_opens_its_alert_again(keep: Make) -> None:
    kept = keep()
    kept.book.take([change()], now=T0)
    kept.book.acknowledge(ID, by="R. Hald", now=T0 + 5.0)
    kept.book.take([change("returned", finding(end=T0 + 50))], now=T0 + 60.0)
    kept.book.take([change(found=finding(begin=T0 + 100), number=2)], now=T0 + 60.0 + REOPEN_S)
    (alert,) = kept.book.standing()
    assert (alert.id, alert.episode, alert.reopened) == (ID, "TB-07-scaling-block-2", 1)
    assert (alert.state, alert.active, alert.acknowledged, alert.returned) == (U, True, None, None)
    assert (alert.begun, alert.raised) == (T0, T0 + 60.0 + REOPEN_S)
    assert kept.book.transitions(ID)[-1].note == "ends differ again (1st time it came back)"
    assert kept.kinds() == ["raised", "returned", "again"]


def test_every_time_that_it_stood_is_kept_for_the_uptime(keep: Make) -> None:
    kept = keep()
    for number in range(3):
        begin = T0 + 600 * number
        kept.book.take([change(found=finding(begin=begin), number=number)], now=float(begin + 20))
        kept.book.take([change("returned", finding(begin=begin, end=begin + 90), number=number)], now=float(begin + 200))
    stood = kept.book.past(T0, T0 + 3600.0)
    assert [(item.raised, item.returned, item.finding.begin) for item in stood] == [
        (T0 + 1220.0, T0 + 1400.0, T0 + 1200), (T0 + 620.0, T0 + 800.0, T0 + 600), (T0 + 20.0, T0 + 200.0, T0),
    ]  # fmt: skip
    assert len(kept.book.over(T0, T0 + 3600.0)) == 1
    assert len(kept.book.past(T0, T0 + 3600.0, limit=2)) == 2


@pytest.mark.parametrize(
    ("later", "found"),
    [(REOPEN_S + 1.0, finding()), (60.0, finding(cause="ai-gain")), (60.0, finding(link=Link.COUNTS)), (60.0, finding(loop="TB-08"))],
    ids=["too late", "other cause", "other link", "other loop"],
)  # fmt: skip
def test_anything_else_is_an_alert_of_its_own(keep: Make, later: float, found: object) -> None:
    kept = keep()
    kept.book.take([change()], now=T0)
    kept.book.acknowledge(ID, by="R. Hald", now=T0 + 1.0)
    kept.book.take([change("returned")], now=T0 + 2.0)
    kept.book.take([change(found=found, number=2)], now=T0 + 2.0 + later)  # type: ignore[arg-type]
    (alert,) = kept.book.standing()
    assert alert.id != ID
    assert alert.reopened == 0


@pytest.mark.parametrize(("first", "second"), [(UNKNOWN, "range-mismatch"), ("range-mismatch", UNKNOWN)])
def test_cause_that_is_not_named_yet_may_be_the_same(keep: Make, first: str, second: str) -> None:
    kept = keep()
    kept.book.take([change(found=finding(cause=first))], now=T0)
    kept.book.take([change("returned", finding(cause=first))], now=T0 + 1.0)
    kept.book.take([change(found=finding(cause=second), number=2)], now=T0 + 2.0)
    assert [alert.id for alert in kept.book.standing()] == [ID]


def test_alert_that_nobody_acknowledged_is_opened_again_however_late(keep: Make) -> None:
    # ANSI/ISA-18.2 (second-hand): returned-unacknowledged goes to unacknowledged where the condition comes again
    kept = keep()
    kept.book.take([change()], now=T0)
    kept.book.take([change("returned")], now=T0 + 1.0)
    assert kept.state_of(ID) is R
    kept.book.take([change(number=2)], now=T0 + 10 * REOPEN_S)
    assert [alert.id for alert in kept.book.standing()] == [ID]
    assert kept.state_of(ID) is U


def test_alert_that_comes_and_goes_is_told_four_times_and_no_more(keep: Make) -> None:
    kept = keep()
    now = float(T0)
    for number in range(40):
        kept.book.take([change(number=number)], now=now)
        kept.book.tick(now + 60.0)
        kept.book.take([change("returned", number=number)], now=now + 150.0)
        kept.book.tick(now + 200.0)
        now += 300.0
    assert kept.kinds() == ["raised", "returned", "again", "reminder"]
    kept.book.tick(now - 150.0 + REOPEN_S)
    assert kept.kinds()[4:] == ["returned"]
    kept.book.tick(now + 10 * REOPEN_S)
    assert len(kept.kinds()) == 5
    (alert,) = kept.book.standing()
    assert (alert.reopened, alert.state) == (39, R)


def test_shelved_alert_stays_shelved_though_its_condition_comes_and_goes(keep: Make) -> None:
    kept = keep()
    kept.book.take([change()], now=T0)
    kept.book.shelve(ID, by="R. Hald", reason="known", until=T0 + 86400.0, now=T0 + 1.0)
    kept.book.take([change("returned")], now=T0 + 2.0)
    kept.book.take([change(number=2)], now=T0 + 8 * 3600.0)
    (alert,) = kept.book.standing()
    assert (alert.id, alert.state, alert.active) == (ID, AlertState.SHELVED, True)
    assert kept.kinds() == ["raised"]
    kept.book.tick(T0 + 86400.0)
    assert kept.state_of(ID) is U


def test_restart_between_going_and_coming_changes_nothing(keep: Make) -> None:
    kept = keep()
    kept.book.take([change()], now=T0)
    kept.book.take([change("returned")], now=T0 + 1.0)
    later = kept.again()
    later.book.take([change(number=2)], now=T0 + 2.0)
    later.book.take([change("returned", number=2)], now=T0 + 3.0)
    last = later.again()
    last.book.end_unwatched(set(), now=T0 + 4.0)
    last.book.tick(T0 + 3.0 + REOPEN_S)
    assert last.kinds() == ["raised", "returned", "again", "returned"]
    last.state.close()


def test_episode_of_an_opened_alert_is_watched_by_its_own_name(keep: Make) -> None:
    kept = keep()
    kept.book.take([change()], now=T0)
    kept.book.take([change("returned")], now=T0 + 1.0)
    kept.book.take([change(number=2)], now=T0 + 2.0)
    kept.book.end_unwatched({"TB-07-scaling-block-2"}, now=T0 + 3.0)
    assert kept.state_of(ID) is U
    kept.book.end_unwatched({ID}, now=T0 + 4.0)
    assert kept.state_of(ID) is R


def test_clock_that_steps_back_does_not_hold_a_return_for_ever(keep: Make) -> None:
    kept = keep()
    kept.book.take([change()], now=T0)
    kept.book.take([change("returned")], now=T0 + 1.0)
    kept.book.take([change(number=2)], now=T0 + 2.0)
    kept.book.take([change("returned", number=2)], now=T0 + 3.0)
    back = T0 - 30 * 86400.0
    kept.book.tick(back)
    kept.book.tick(back + REOPEN_S)
    assert kept.kinds()[-1] == "returned"
    assert len(kept.kinds()) == 4
