"""Messages are readable on a phone and complete: what, where, since when, by how much, what to check, the cautions."""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.finding import UNKNOWN
from collector.delivery.message import alert_message, local
from config.cautions import CAUTIONS
from config.model import Site
from tests.collector.alerts.raised import T0, finding
from tests.service.fakes import site as plain_site

PAGE = "http://127.0.0.1:8460"


def site(zone: str = "America/Regina") -> Site:
    return plain_site().model_copy(update={"time_zone": zone})


def text(kind: str = "raised", page: str = PAGE, **changes: object) -> str:
    row = {"id": "TB-07-scaling-block-1", "priority": "high"}
    return alert_message("key", kind, row, finding(**changes), site(), page).text


def test_raised_alert_says_everything_in_the_order_of_need() -> None:
    said = text()
    wanted = (
        "TB-07, link scaling-block: ends differ (range-mismatch)",
        "The PLC shows 5 % more than the gauge sends.",
        "Since 2026-11-25 03:36 CST.",
        "output against input +0.31 mA, +20.4 t/h, +3.4 +/- 0.6 t since then",
        "Act within 59 min: about 20 t/h are booked wrongly while it lasts.",
        "1. compare both ranges",
        "3. read the change log",
        CAUTIONS[0],
        f"{PAGE}/loops/TB-07",
        f"To acknowledge: {PAGE}/alerts#TB-07-scaling-block-1",
        "Priority high.",
    )
    places = [said.find(part) for part in wanted]
    assert -1 not in places, said
    assert places == sorted(places)


def test_only_the_first_three_checks_are_sent() -> None:
    assert "a fourth step" not in text()


@pytest.mark.parametrize("kind", ["raised", "refined"])
def test_whatever_sends_a_person_to_the_gauge_carries_every_caution(kind: str) -> None:
    said = text(kind)
    assert all(caution in said for caution in CAUTIONS)


def test_return_sends_nobody_anywhere() -> None:
    said = text("returned")
    assert "Check first" not in said


def test_lines_of_what_is_not_known_are_left_out() -> None:
    said = text(tonnes=None, tonnes_uncertainty=None, rate_error_t_h=None, evidence=(), advice=(), page="")
    assert "By how much" not in said
    assert "None" not in said
    assert "nan" not in said
    assert "/loops/" not in said
    assert "To acknowledge" not in said


def test_unknown_cause_is_no_name_but_what_is_still_needed() -> None:
    said = text(cause=UNKNOWN, gate=("30 more minutes below 120 t/h",))
    assert "(unknown)" not in said
    assert "Still needed to name the cause: 30 more minutes below 120 t/h" in said


@pytest.mark.parametrize(
    ("zone", "shown"),
    [
        ("UTC", "2026-11-25 09:46 UTC"),
        ("America/Regina", "2026-11-25 03:46 CST"),
        ("Europe/Berlin", "2026-11-25 10:46 CET"),
        ("Asia/Kolkata", "2026-11-25 15:16 IST"),
    ],
)
def test_times_are_local_to_the_site_and_name_the_zone(zone: str, shown: str) -> None:
    # offsets of the IANA time zone database: -6, +1, +5:30 h in November
    assert local(T0, site(zone)) == shown


def test_subject_names_kind_site_loop_and_cause() -> None:
    row = {"id": "a", "priority": "low"}
    said = alert_message("key", "returned", row, replace(finding(), title="zero counts", cause="zero-counts"), site(), "")
    assert said.subject == "RETURNED terminal TB-07: zero counts (zero-counts)"
