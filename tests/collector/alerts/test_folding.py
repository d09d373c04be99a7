"""The loss of a device is one alert, however many loops are read through it; a consequence belongs to its cause."""

from __future__ import annotations

import pytest

from checks.finding import UNKNOWN, Finding
from checks.result import Link
from collector.alerts.model import AlertState
from collector.alerts.policy import Policy
from collector.alerts.telling import ORPHAN_S
from config.deliveries import Tell
from tests.collector.alerts.books import Kept
from tests.collector.alerts.conftest import Make
from tests.collector.alerts.raised import T0, change, finding

LOOPS = tuple(f"TB-{number:02d}" for number in range(7, 27))
SU, U, N, R = AlertState.SUPPRESSED, AlertState.UNACKNOWLEDGED, AlertState.NORMAL, AlertState.RETURNED


def policy() -> Policy:
    """Each loop has a gauge of its own; all share one PLC."""
    return Policy(tells={"chat": Tell()}, endpoints={loop: frozenset({f"gauge-{loop}", "plc"}) for loop in LOOPS})


def lost(loop: str, side: str = "PLC") -> Finding:
    return finding(loop=loop, link=Link.COMMUNICATION, cause=UNKNOWN, title=f"{side} is not read", rate_error_t_h=None)


def of(loop: str) -> str:
    return f"{loop}-communication-1"


@pytest.fixture
def kept(keep: Make) -> Kept:
    made = keep(policy())
    for index, loop in enumerate(LOOPS):
        made.book.take([change(found=lost(loop))], now=T0 + index)
    return made


def test_lost_device_of_twenty_loops_is_one_alert_and_one_message(kept: Kept) -> None:
    assert kept.kinds() == ["raised"]
    states = {loop: kept.state_of(of(loop)) for loop in LOOPS}
    assert states == {loop: U if loop == "TB-07" else SU for loop in LOOPS}
    child = kept.book.find(of("TB-08"))
    assert child is not None
    assert child.parent == of("TB-07")
    assert kept.book.transitions(child.id)[0].note.startswith("a consequence of TB-07-communication-1;")


def test_device_that_answers_again_returns_all_of_them_with_one_message(kept: Kept) -> None:
    for index, loop in enumerate(LOOPS):
        kept.book.take([change("returned", lost(loop))], now=T0 + 300.0 + index)
    kept.book.tick(T0 + 300.0 + 2 * ORPHAN_S)
    assert kept.kinds() == ["raised", "returned"]
    assert [kept.state_of(of(loop)) for loop in LOOPS] == [R, *[N] * (len(LOOPS) - 1)]


def test_consequence_that_outlasts_its_cause_stands_for_itself(kept: Kept) -> None:
    for loop in LOOPS[:-1]:
        kept.book.take([change("returned", lost(loop))], now=T0 + 300.0)
    kept.book.tick(T0 + 300.0 + ORPHAN_S - 1.0)
    assert kept.state_of(of(LOOPS[-1])) is SU
    kept.book.tick(T0 + 300.0 + ORPHAN_S)
    assert kept.state_of(of(LOOPS[-1])) is U
    assert kept.kinds() == ["raised", "returned", "raised"]


def test_end_of_a_maintenance_does_not_free_consequences(kept: Kept) -> None:
    kept.book.note_suppression("TB-08", "", now=T0 + 60.0)
    assert kept.state_of(of("TB-08")) is SU


@pytest.mark.parametrize(
    "found",
    [lost("TB-08", "gauge"), finding(loop="TB-08", link=Link.COMMUNICATION, cause="gateway-zeros"), finding(loop="TB-08")],
    ids=["other side", "named cause", "other link"],
)
def test_anything_else_stands_for_itself(keep: Make, found: Finding) -> None:
    kept = keep(policy())
    kept.book.take([change(found=lost("TB-07"))], now=T0)
    kept.book.take([change(found=found, number=2)], now=T0 + 1.0)
    assert [alert.state for alert in kept.book.standing()] == [U, U]


def test_loops_of_other_devices_and_later_losses_stand_for_themselves(keep: Make) -> None:
    apart = Policy(tells={"chat": Tell()}, endpoints={"TB-07": frozenset({"plc-1"}), "TB-08": frozenset({"plc-2"})})
    kept = keep(apart)
    kept.book.take([change(found=lost("TB-07")), change(found=lost("TB-08"))], now=T0)
    assert kept.kinds() == ["raised", "raised"]
    late = keep(policy())
    late.book.take([change(found=lost("TB-07"))], now=T0)
    late.book.take([change(found=lost("TB-08"))], now=T0 + 3600.0)
    assert late.kinds() == ["raised", "raised"]


def test_link_that_a_fault_of_the_same_moment_explains_belongs_to_it(keep: Make) -> None:
    kept = keep()
    begin = T0 - 600
    kept.book.take([change(found=finding(link=Link.COUNTS, cause="zero-counts", begin=begin))], now=T0)
    kept.book.take([change(found=finding(link=Link.LOAD, cause=UNKNOWN, begin=begin + 30))], now=T0 + 5.0)
    assert kept.kinds() == ["raised"]
    assert kept.state_of("TB-07-load-1") is SU
    kept.book.take([change(found=finding(link=Link.TOTALS, cause="total-time-base", begin=begin + 3000))], now=T0 + 3600.0)
    assert kept.state_of("TB-07-totals-1") is U
