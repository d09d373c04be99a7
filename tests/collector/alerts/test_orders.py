"""What people order: out of service, accepted until a date or a growth; it outlasts the alert and ends by itself."""

from __future__ import annotations

from typing import Any

import pytest

from checks.result import Evidence, Verdict
from collector.alerts.holds import HoldKind, amount_of
from collector.alerts.model import AlertState
from config.errors import TallywireError
from tests.collector.alerts.books import Kept
from tests.collector.alerts.conftest import Make
from tests.collector.alerts.raised import T0, change, finding

ID = "TB-07-scaling-block-1"
DAY = 86400.0
U, A, N, SH, OOS = (
    AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED, AlertState.NORMAL, AlertState.SHELVED, AlertState.OUT_OF_SERVICE,
)  # fmt: skip


@pytest.fixture
def kept(keep: Make) -> Kept:
    made = keep()
    made.book.take([change()], now=T0)
    return made


def accept(kept: Kept, **changes: Any) -> None:
    order: dict[str, Any] = {
        "by": "R. Hald",
        "owner": "B. Ostrander",
        "reason": "waits for the shutdown",
        "until": T0 + 40 * DAY,
        "grow": 5.0,
    }
    kept.book.accept(ID, **(order | changes), now=T0 + 1.0)


def test_out_of_service_silences_the_link_and_what_comes_there(kept: Kept) -> None:
    gone = kept.book.remove(ID, by="R. Hald", reason="gauge is exchanged", until=T0 + 2 * DAY, now=T0 + 1.0)
    assert gone.state is OOS
    kept.book.take([change("returned")], now=T0 + 2.0)
    kept.book.take([change(found=finding(cause="ai-gain"), number=2)], now=T0 + 3600.0)
    assert kept.state_of("TB-07-scaling-block-2") is OOS
    assert kept.kinds() == ["raised"]
    (hold,) = kept.book.holds()
    assert (hold.kind, hold.loop, hold.link, hold.by, hold.reason) == (
        HoldKind.OUT_OF_SERVICE, "TB-07", "scaling-block", "R. Hald", "gauge is exchanged",
    )  # fmt: skip


def test_back_in_service_the_state_follows_the_condition(kept: Kept) -> None:
    kept.book.remove(ID, by="R. Hald", reason="gauge is exchanged", until=T0 + 2 * DAY, now=T0 + 1.0)
    kept.book.take([change("returned")], now=T0 + 2.0)
    kept.book.take([change(found=finding(cause="ai-gain"), number=2)], now=T0 + 3.0)
    kept.book.restore(ID, by="A. Meyer", now=T0 + 4.0)
    assert (kept.state_of(ID), kept.state_of("TB-07-scaling-block-2")) == (N, U)
    assert kept.book.holds() == []
    assert kept.book.transitions(ID)[-1].by == "A. Meyer"


def test_out_of_service_ends_by_itself_and_tells_what_stands(kept: Kept) -> None:
    kept.book.remove(ID, by="R. Hald", reason="gauge is exchanged", until=T0 + 2 * DAY, now=T0 + 1.0)
    kept.book.tick(T0 + 2 * DAY - 1.0)
    assert kept.state_of(ID) is OOS
    kept.book.tick(T0 + 2 * DAY)
    assert kept.state_of(ID) is U
    assert kept.kinds() == ["raised", "raised"]
    assert kept.book.transitions(ID)[-1].note == "back in service: the time is over for which it was out of service"


def test_accepted_finding_is_silent_also_when_it_comes_again(kept: Kept) -> None:
    accept(kept)
    assert kept.state_of(ID) is SH
    for day in range(1, 30):
        kept.book.take([change("returned", number=day)], now=T0 + day * DAY)
        kept.book.take([change(found=finding(rate_error_t_h=22.0), number=day + 1)], now=T0 + day * DAY + 3600.0)
        kept.book.tick(T0 + day * DAY + 7200.0)
    assert kept.kinds() == ["raised"]
    assert [alert.state for alert in kept.book.standing()] == [SH]
    note = "accepted by B. Ostrander until 2027-01-04 03:46 or above 25.40 t/h: waits for the shutdown"
    assert [step.note for step in kept.book.transitions(ID)][1] == note


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"rate_error_t_h": -25.5}, "rate error is now 25.50 t/h, accepted was up to 25.40 t/h"),
        ({"cause": "ai-gain"}, "the cause is now ai-gain (accepted was range-mismatch)"),
    ],
)
def test_accepted_finding_that_is_no_longer_that_is_told_again(kept: Kept, changes: dict[str, Any], why: str) -> None:
    accept(kept)
    kept.book.take([change("refined", finding(rate_error_t_h=25.3))], now=T0 + 2.0)
    assert kept.state_of(ID) is SH
    kept.book.take([change("refined", finding(**changes))], now=T0 + 3.0)
    assert kept.state_of(ID) is U
    assert kept.kinds() == ["raised", "grown"]
    assert kept.messages()[-1]["note"] == f"no longer accepted: {why}"
    assert kept.book.holds() == []


def test_accepted_doubt_that_becomes_a_fault_is_told(keep: Make) -> None:
    kept = keep()
    kept.book.take([change(found=finding(verdict=Verdict.SUSPECT))], now=T0)
    accept(kept)
    kept.book.take([change("refined", finding())], now=T0 + 2.0)
    assert kept.kinds() == ["raised", "grown"]


def test_acceptance_ends_on_its_day_and_tells_what_stands(kept: Kept) -> None:
    accept(kept)
    kept.book.tick(T0 + 40 * DAY)
    assert kept.state_of(ID) is U
    assert kept.kinds() == ["raised", "raised"]
    assert kept.book.holds() == []


def test_acceptance_is_ended_by_hand_on_the_alert_or_by_its_number(keep: Make) -> None:
    for end in ("alert", "number"):
        kept = keep()
        kept.book.take([change()], now=T0)
        accept(kept)
        if end == "alert":
            kept.book.unshelve(ID, by="A. Meyer", now=T0 + 5.0)
        else:
            ended = kept.book.end_hold(kept.book.holds()[0].id, by="A. Meyer", now=T0 + 5.0)
            assert (ended.ended, ended.ended_by) == (T0 + 5.0, "A. Meyer")
        assert kept.state_of(ID) is U
        assert kept.book.holds() == []


def test_orders_survive_a_restart(kept: Kept) -> None:
    accept(kept)
    later = kept.again()
    assert [hold.owner for hold in later.book.holds()] == ["B. Ostrander"]
    later.book.take([change("refined", finding(rate_error_t_h=40.0))], now=T0 + 9.0)
    assert later.state_of(ID) is U
    later.state.close()


@pytest.mark.parametrize(
    ("order", "says"),
    [
        ({"reason": " "}, "needs a reason"),
        ({"until": T0 + 400 * DAY}, "within 366 days"),
        ({"until": float("nan")}, "within 366 days"),
        ({"grow": None}, "not said by how much it may grow"),
        ({"grow": -1.0}, "not said by how much"),
        ({"grow": float("nan")}, "not said by how much"),
        ({"grow": float("inf")}, "not said by how much"),
    ],
)
def test_acceptance_without_reason_end_or_growth_is_refused(kept: Kept, order: dict[str, Any], says: str) -> None:
    with pytest.raises(TallywireError, match=says):
        accept(kept, **order)
    assert kept.state_of(ID) is U
    assert kept.book.holds() == []


def test_what_concerns_people_near_the_source_is_never_accepted(keep: Make) -> None:
    kept = keep()
    kept.book.take([change(found=finding(cause="shutter-contradiction"))], now=T0)
    with pytest.raises(TallywireError, match="people near the source"):
        accept(kept)


def test_only_what_stands_can_be_accepted_and_only_once(kept: Kept) -> None:
    accept(kept)
    with pytest.raises(TallywireError, match="only an alert that stands"):
        accept(kept)
    with pytest.raises(TallywireError, match="is accepted, so"):
        kept.book.shelve(ID, by="x", reason="y", until=T0 + 60.0, now=T0 + 2.0)
    kept.book.unshelve(ID, by="x", now=T0 + 3.0)
    kept.book.take([change("returned")], now=T0 + 4.0)
    with pytest.raises(TallywireError, match="only an alert that stands"):
        accept(kept)


@pytest.mark.parametrize(
    ("order", "says"),
    [
        ({"reason": ""}, "needs a reason"),
        ({"until": T0 + 91 * DAY}, "within 90 days"),
        ({"until": float(T0)}, "within 90 days"),
    ],
)
def test_out_of_service_without_reason_or_end_is_refused(kept: Kept, order: dict[str, Any], says: str) -> None:
    full: dict[str, Any] = {"by": "R. Hald", "reason": "exchange", "until": T0 + DAY} | order
    with pytest.raises(TallywireError, match=says):
        kept.book.remove(ID, **full, now=float(T0))
    with pytest.raises(TallywireError, match="not out of service"):
        kept.book.restore(ID, by="x", now=T0 + 1.0)
    with pytest.raises(TallywireError, match="no such order"):
        kept.book.end_hold(1, by="x", now=T0 + 1.0)


def test_taken_out_twice_is_refused(kept: Kept) -> None:
    kept.book.remove(ID, by="R. Hald", reason="exchange", until=T0 + DAY, now=T0 + 1.0)
    with pytest.raises(TallywireError, match="out of service already"):
        kept.book.remove(ID, by="R. Hald", reason="exchange", until=T0 + DAY, now=T0 + 2.0)
    with pytest.raises(TallywireError, match="cannot be shelved"):
        kept.book.shelve(ID, by="x", reason="y", until=T0 + 60.0, now=T0 + 2.0)


def test_amount_is_the_rate_else_the_first_number_with_a_limit_else_none() -> None:
    assert amount_of(finding(rate_error_t_h=-3.0)) == ("rate error", "t/h", 3.0)
    assert amount_of(finding(rate_error_t_h=None)) == ("output against input", "mA", 0.31)
    plain = Evidence(name="age", value=4.0, unit="s", limit=None, standard_error=None)
    assert amount_of(finding(rate_error_t_h=None, evidence=(plain,))) is None


def test_finding_without_a_number_is_accepted_without_a_growth(keep: Make) -> None:
    kept = keep()
    kept.book.take([change(found=finding(rate_error_t_h=None, evidence=()))], now=T0)
    with pytest.raises(TallywireError, match="no number that could grow"):
        accept(kept)
    accept(kept, grow=None)
    assert kept.state_of(ID) is SH
