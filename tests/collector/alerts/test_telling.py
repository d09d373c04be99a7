"""Who is told, when: escalation, duty and quiet hours by the calendar of the site, the daily digest, floods."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import sqlalchemy as sa

from checks.finding import Finding
from checks.result import Link, Verdict
from collector.alerts.flood import BEGINS_ABOVE
from collector.alerts.model import AlertState
from collector.alerts.moving import MOST_LINES
from collector.alerts.policy import REMIND_S, Policy
from config.deliveries import Tell
from tests.collector.alerts.books import Kept
from tests.collector.alerts.conftest import Make
from tests.collector.alerts.raised import T0, change, finding

MIN, HOUR, DAY = 60.0, 3600.0, 86400.0
LOW: dict[str, Any] = {"verdict": Verdict.SUSPECT}
MEDIUM: dict[str, Any] = {"rate_error_t_h": 2.0}
BERLIN = ZoneInfo("Europe/Berlin")


def at(text: str, zone: ZoneInfo | type[UTC] = BERLIN, fold: int = 0) -> float:  # type: ignore[valid-type]
    """A local time, such as 2026-11-27 21:00 [epoch s]."""
    return datetime.fromisoformat(text).replace(tzinfo=zone, fold=fold).timestamp()  # type: ignore[arg-type]


def policy(**tells: Tell) -> Policy:
    return Policy(tells=tells, zone="Europe/Berlin")


def raised(kept: Kept, now: float, loop: str = "TB-07", number: int = 1, **changes: Any) -> str:
    found = finding(loop=loop, begin=int(now) - 60, **changes)
    kept.book.take([change(found=found, number=number)], now=now)
    return f"{loop}-{found.link.value}-{number}"


# --- escalation --------------------------------------------------------------------------------------------------------


def test_unacknowledged_alert_is_handed_up_step_by_step_and_each_step_once(keep: Make) -> None:
    kept = keep(shift=Tell(), lead=Tell(after=15 * MIN), manager=Tell(after=HOUR))
    alert = raised(kept, T0)
    for minute in range(0, 180, 5):
        kept.book.tick(T0 + minute * MIN)
    told = [(message["target"], message["kind"]) for message in kept.messages()]
    assert told == [("shift", "raised"), ("lead", "escalated"), ("manager", "escalated")]
    notes = [(step.time, step.note) for step in kept.book.transitions(alert)][1:]
    assert notes == [
        (T0 + 15 * MIN, "nobody has acknowledged it yet: told to lead"),
        (T0 + HOUR, "nobody has acknowledged it yet: told to manager"),
    ]


@pytest.mark.parametrize("end", ["acknowledged", "returned", "shelved"])
def test_what_no_longer_waits_is_not_handed_up(keep: Make, end: str) -> None:
    kept = keep(shift=Tell(), lead=Tell(after=15 * MIN))
    alert = raised(kept, T0)
    if end == "acknowledged":
        kept.book.acknowledge(alert, by="x", now=T0 + MIN)
    elif end == "shelved":
        kept.book.shelve(alert, by="x", reason="y", until=T0 + DAY, now=T0 + MIN)
    else:
        kept.book.take([change("returned", number=1)], now=T0 + MIN)
    kept.book.tick(T0 + HOUR)
    assert kept.kinds("lead") == []


def test_alert_that_waits_anew_is_handed_up_anew(keep: Make) -> None:
    kept = keep(shift=Tell(), lead=Tell(after=15 * MIN))
    alert = raised(kept, T0)
    kept.book.tick(T0 + 20 * MIN)
    kept.book.acknowledge(alert, by="x", now=T0 + 21 * MIN)
    kept.book.take([change("returned", number=1)], now=T0 + 22 * MIN)
    kept.book.take([change(number=2)], now=T0 + 23 * MIN)
    kept.book.tick(T0 + 37 * MIN)
    assert kept.kinds("lead") == ["escalated"]
    kept.book.tick(T0 + 38 * MIN)
    assert kept.kinds("lead") == ["escalated", "escalated"]


def test_many_that_wait_are_one_message(keep: Make) -> None:
    kept = keep(shift=Tell(), lead=Tell(after=15 * MIN))
    for number in range(20):
        raised(kept, T0 + 100.0 * number, f"TB-{number:02d}")
    kept.book.tick(T0 + DAY)
    assert kept.kinds("lead") == ["many-escalated"]
    last = kept.messages()[-1]
    assert last["title"] == "20 alerts that nobody has acknowledged"
    assert (len(last["lines"]), last["lines"][-1]) == (MOST_LINES + 1, "and 8 more")


def test_escalation_goes_by_priority_and_waits_for_the_duty(keep: Make) -> None:
    kept = keep(policy(shift=Tell(), lead=Tell(after=15 * MIN, priorities=("high",), shifts=("06:00",))))
    night = at("2026-11-27 23:00")
    raised(kept, night)
    raised(kept, night, "TB-08", **MEDIUM)
    kept.book.tick(at("2026-11-28 05:59"))
    assert kept.kinds("lead") == []
    kept.book.tick(at("2026-11-28 06:00"))
    assert [message["alert"]["loop"] for message in kept.messages() if message["target"] == "lead"] == ["TB-07"]


def test_without_escalation_high_priority_is_told_once_more(keep: Make) -> None:
    kept = keep()
    raised(kept, T0)
    raised(kept, T0, "TB-08", **MEDIUM)
    kept.book.tick(T0 + REMIND_S - 1.0)
    assert kept.kinds() == ["raised", "raised"]
    for hour in range(1, 10):
        kept.book.tick(T0 + hour * HOUR)
    assert kept.kinds() == ["raised", "raised", "reminder"]


def test_reminding_can_be_switched_off(keep: Make) -> None:
    kept = keep(Policy(tells={"chat": Tell()}, remind_s=0.0))
    raised(kept, T0)
    kept.book.tick(T0 + DAY)
    assert kept.kinds() == ["raised"]


def test_clock_that_steps_back_does_not_silence_the_escalation(keep: Make) -> None:
    kept = keep(shift=Tell(), lead=Tell(after=15 * MIN))
    raised(kept, T0)
    kept.book.tick(T0 - DAY)
    kept.book.tick(T0 - DAY + 15 * MIN)
    assert kept.kinds("lead") == ["escalated"]


# --- who -----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tell", "loops"),
    [
        (Tell(), ["TB-07", "TB-08", "TB-09"]),
        (Tell(loops=("TB-08",)), ["TB-08"]),
        (Tell(priorities=("high",)), ["TB-07", "TB-09"]),
        (Tell(priorities=("medium", "low")), ["TB-08"]),
        (Tell(roles=("radiation-safety",)), ["TB-09"]),
        (Tell(roles=("accounting", "maintenance")), ["TB-07", "TB-08", "TB-09"]),
        (Tell(roles=("operations",)), ["TB-09"]),
    ],
)
def test_delivery_gets_what_is_its_work(keep: Make, tell: Tell, loops: list[str]) -> None:
    kept = keep(all=Tell(), some=tell)
    raised(kept, T0)
    raised(kept, T0, "TB-08", **MEDIUM)
    raised(kept, T0, "TB-09", cause="shutter-contradiction")
    assert [message["alert"]["loop"] for message in kept.messages() if message["target"] == "some"] == loops


def test_difference_of_totals_is_the_accountants_work_too(keep: Make) -> None:
    kept = keep(all=Tell(), accounts=Tell(roles=("accounting",)))
    raised(kept, T0, link=Link.TOTALS)
    raised(kept, T0)
    assert kept.kinds("accounts") == ["raised"]


def test_alert_that_becomes_important_is_told_to_those_it_concerns_now_and_once(keep: Make) -> None:
    kept = keep(mail=Tell(), chat=Tell(priorities=("high",)), lead=Tell(after=15 * MIN, priorities=("high",)))
    alert = raised(kept, T0, **MEDIUM)
    kept.book.tick(T0 + HOUR)
    for minute, rate in ((61, 40.0), (62, 2.0), (63, 41.0), (64, 2.0), (66, 42.0)):
        kept.book.take([change("refined", finding(rate_error_t_h=rate))], now=T0 + minute * MIN)
    kept.book.tick(T0 + 67 * MIN)
    told = [(message["target"], message["kind"]) for message in kept.messages()]
    assert told == [("mail", "raised"), ("chat", "risen"), ("lead", "escalated")]
    assert kept.book.transitions(alert)[1].note == "its priority is now high (was medium)"


def test_high_priority_that_is_nobodys_goes_to_everybody(keep: Make) -> None:
    kept = keep(policy(day=Tell(shifts=("06:00",)), other=Tell(loops=("TB-08",)), lead=Tell(after=HOUR)))
    raised(kept, at("2026-11-27 23:00"))
    assert [message["target"] for message in kept.messages()] == ["day", "other", "lead"]
    raised(kept, at("2026-11-27 23:00"), "TB-09", **MEDIUM)
    assert len(kept.messages()) == 3


# --- when ----------------------------------------------------------------------------------------------------------------


def test_what_came_off_duty_is_handed_over_in_one_message_when_duty_begins(keep: Make) -> None:
    kept = keep(policy(always=Tell(), day=Tell(shifts=("06:00",), days=("mon", "tue", "wed", "thu", "fri"))))
    friday = at("2026-11-27 13:59")
    kept.book.tick(friday)
    kept.book.tick(friday + MIN)
    raised(kept, at("2026-11-28 10:00"))
    raised(kept, at("2026-11-29 10:00"), "TB-08", **MEDIUM)
    for hour in range(40):
        kept.book.tick(at("2026-11-28 13:00") + hour * HOUR)
    assert kept.kinds("day") == []
    kept.book.tick(at("2026-11-30 06:00"))
    kept.book.tick(at("2026-11-30 06:01"))
    assert kept.kinds("day") == ["handover"]
    last = next(message for message in kept.messages() if message["kind"] == "handover")
    assert last["title"] == "Since 2026-11-27 14:00 2 alerts came"
    assert last["lines"][0].startswith("TB-08, scaling-block: ends differ (medium, unacknowledged, since 2026-11-29 09:59)")


def test_night_shift_belongs_to_the_day_it_began(keep: Make) -> None:
    kept = keep(policy(always=Tell(), friday=Tell(days=("fri",))))
    raised(kept, at("2026-11-28 03:00"))  # the night of Friday
    raised(kept, at("2026-11-28 06:00"), "TB-08")
    raised(kept, at("2026-11-27 03:00"), "TB-09")  # the night of Thursday
    assert [message["alert"]["loop"] for message in kept.messages() if message["target"] == "friday"] == ["TB-07"]


def test_in_quiet_hours_only_high_priority_passes_and_the_rest_is_handed_over(keep: Make) -> None:
    kept = keep(Policy(tells={"phone": Tell(quiet=("22:00", "06:00"))}, zone="Europe/Berlin", remind_s=0.0))
    kept.book.tick(at("2026-11-27 21:59"))
    kept.book.tick(at("2026-11-27 22:00"))
    raised(kept, at("2026-11-27 23:00"))
    raised(kept, at("2026-11-27 23:30"), "TB-08", **MEDIUM)
    assert kept.kinds("phone") == ["raised"]
    kept.book.tick(at("2026-11-28 05:59"))
    later = kept.again()
    later.book.acknowledge("TB-07-scaling-block-1", by="x", now=at("2026-11-28 05:59"))
    later.book.tick(at("2026-11-28 06:00"))
    assert later.kinds("phone") == ["raised", "handover"]
    assert [line[:5] for line in later.messages()[-1]["lines"]] == ["TB-08"]
    later.state.close()


def test_duty_without_alerts_begins_without_a_message(keep: Make) -> None:
    kept = keep(policy(phone=Tell(quiet=("22:00", "06:00")), day=Tell(shifts=("06:00",))))
    for hour in range(72):
        kept.book.tick(at("2026-11-27 00:00") + hour * HOUR)
    assert kept.messages() == []


# --- the digest ------------------------------------------------------------------------------------------------------------


def days_of(kept: Kept, first: str, hours: int) -> None:
    for step in range(hours * 6):
        kept.book.tick(at(first) + step * 10 * MIN)


def test_low_priority_waits_for_the_digest_which_comes_once_a_day(keep: Make) -> None:
    kept = keep(policy(mail=Tell(digest="07:00")))
    kept.book.audit_head = lambda day: f"head of {day}"
    kept.book.tick(at("2026-11-26 12:00"))
    raised(kept, at("2026-11-26 15:00"), **LOW)
    kept.book.take([change("returned", finding(**LOW), number=1)], now=at("2026-11-26 16:00"))
    raised(kept, at("2026-11-26 17:00"), "TB-08", **LOW)
    days_of(kept, "2026-11-26 18:00", 48)
    digests = kept.messages()
    assert [message["kind"] for message in digests] == ["digest", "digest"]
    assert [message["title"] for message in digests] == ["Day of 2026-11-27", "Day of 2026-11-28"]
    assert digests[0]["lines"][0] == "2 alerts came in the last 24 h, 2 stand."
    assert digests[0]["lines"][1] == "The audit log of the day before ends with head of 2026-11-26."
    assert digests[1]["lines"][0] == "0 alerts came in the last 24 h, 2 stand."


def test_digest_of_a_first_start_is_that_of_the_next_morning(keep: Make) -> None:
    kept = keep(policy(mail=Tell(digest="07:00")))
    days_of(kept, "2026-11-26 12:00", 18)
    assert kept.messages() == []
    days_of(kept, "2026-11-27 06:00", 2)
    assert kept.kinds("mail") == ["digest"]


@pytest.mark.parametrize(
    ("begin", "digest", "days"),
    [("2026-10-24 12:00", "02:30", 3), ("2027-03-27 12:00", "02:30", 3), ("2027-03-27 12:00", "07:00", 3)],
    ids=["hour twice", "hour that is not", "day of 23 h"],
)
def test_digest_comes_once_each_day_also_where_the_clock_changes(keep: Make, begin: str, digest: str, days: int) -> None:
    # Europe/Berlin: 02:00 to 03:00 comes twice on 2026-10-25 and not at all on 2027-03-28 (IANA time zone database)
    kept = keep(policy(mail=Tell(digest=digest)))
    days_of(kept, begin, 24 * days)
    titles = [message["title"] for message in kept.messages()]
    assert len(titles) == len(set(titles)) == days


@pytest.mark.parametrize("step", [-HOUR, -DAY, HOUR, -90.0])
def test_clock_that_steps_sends_no_digest_twice(keep: Make, step: float) -> None:
    kept = keep(policy(mail=Tell(digest="07:00")))
    kept.book.tick(at("2026-11-26 12:00"))
    kept.book.tick(at("2026-11-27 07:00"))
    kept.book.tick(at("2026-11-27 07:00") + step)
    later = kept.again()
    later.book.tick(at("2026-11-27 07:10"))
    assert [message["title"] for message in later.messages()] == ["Day of 2026-11-27"]
    later.state.close()


def test_audit_log_is_asked_only_when_a_digest_is_due(keep: Make) -> None:
    asked: list[date] = []
    kept = keep(policy(mail=Tell(digest="07:00")))
    kept.book.audit_head = lambda day: asked.append(day) or ""  # type: ignore[func-returns-value]
    days_of(kept, "2026-11-26 07:10", 24)
    assert asked == [date(2026, 11, 25), date(2026, 11, 26)]


# --- floods ------------------------------------------------------------------------------------------------------------------


def flooded(kept: Kept, number: int = 40, cause: str = "range-mismatch", **changes: Any) -> None:
    for index in range(number):
        raised(kept, T0 + index, f"TB-{index:03d}", cause=cause, **changes)


def test_flood_is_told_once_and_its_end_once(keep: Make) -> None:
    # ISA-18.2 (second-hand): a flood begins above 10 alarms in ten minutes and ends below 5
    kept = keep()
    flooded(kept, **MEDIUM)
    assert kept.kinds() == ["raised"] * BEGINS_ABOVE + ["flood"]
    kept.book.tick(T0 + 9 * MIN)
    assert len(kept.kinds()) == 11
    kept.book.tick(T0 + 11 * MIN)
    kept.book.tick(T0 + 12 * MIN)
    assert kept.kinds()[11:] == ["flood-over"]
    assert kept.messages()[-1]["lines"] == ["30 times range-mismatch"]
    assert len(kept.book.standing()) == 40
    raised(kept, T0 + 20 * MIN, "TB-999", **MEDIUM)
    assert kept.kinds()[12:] == ["raised"]


def test_in_a_flood_one_of_each_urgent_cause_and_all_near_people_are_told_by_name(keep: Make) -> None:
    kept = keep()
    flooded(kept, 15, **MEDIUM)
    before = len(kept.kinds())
    for index in range(5):
        raised(kept, T0 + 20.0 + index, f"TC-{index}", cause="zero-counts")
        raised(kept, T0 + 20.0 + index, f"TD-{index}", cause="shutter-contradiction")
    told = [message["alert"]["loop"] for message in kept.messages()[before:]]
    assert told == ["TC-0", "TD-0", "TD-1", "TD-2", "TD-3", "TD-4"]


def test_flood_goes_on_over_a_restart(keep: Make) -> None:
    kept = keep()
    flooded(kept, 15, **MEDIUM)
    later = kept.again()
    raised(later, T0 + 30.0, "TB-100", **MEDIUM)
    assert later.kinds() == ["raised"] * BEGINS_ABOVE + ["flood"]
    note = later.book.transitions("TB-100-scaling-block-1")[0].note
    assert note.endswith("(in a flood of alerts: not told by itself)")
    later.state.close()


def test_returns_in_a_flood_are_not_told(keep: Make) -> None:
    kept = keep()
    flooded(kept, 15, **MEDIUM)
    gone: Finding = finding(loop="TB-000", **MEDIUM)
    kept.book.take([change("returned", gone)], now=T0 + 60.0)
    assert "returned" not in kept.kinds()
    assert kept.state_of("TB-000-scaling-block-1") is AlertState.RETURNED


def test_a_tick_at_rest_asks_little_of_the_database_and_every_tick_is_whole_while_anything_stands(keep: Make) -> None:
    kept = keep()
    asked: list[str] = []

    def note(connection: object, cursor: object, statement: str, *rest: object) -> None:
        asked.append(statement)

    sa.event.listen(kept.state._engine, "before_cursor_execute", note)

    def statements(now: float) -> int:
        asked.clear()
        kept.book.tick(now)
        return len(asked)

    at_rest = statements(T0)
    assert at_rest <= 4
    kept.book.take([change()], now=T0)
    assert statements(T0 + 1) > 2 * at_rest
    kept.book.acknowledge("TB-07-scaling-block-1", by="M. Ortiz", now=T0 + 2)
    kept.book.take([change("returned")], now=T0 + 3)
    assert statements(T0 + 4) <= at_rest
