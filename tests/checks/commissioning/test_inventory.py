"""The inventory of sources: activity of today against a reference library, and dates that are near, past or not stated."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from checks.commissioning.inventory import activity_words, inventory
from config.model import SealedSource
from tests.checks.runs_of_terminal import terminal

DAY = date(2027, 3, 1)


def declared(**fields: date | None) -> dict[str, object]:
    source = SealedSource(identity="PT-0712", activity=1.85e9, activity_date=date(2024, 2, 20), **fields)
    loop = terminal().loops["TB-07"]
    return {"TB-07": loop.model_copy(update={"gauge": loop.gauge.model_copy(update={"source": source})})}


def test_activity_of_today_is_that_of_the_reference_library() -> None:
    """radioactivedecay (ICRP-107 data); the evaluations of the half-life lie 0.5 % apart, which is 3e-4 of the activity in 3 years."""
    import radioactivedecay as rd

    (line,), _ = inventory(declared(), DAY)  # type: ignore[arg-type]
    decayed = rd.Inventory({"Cs-137": 1.85e9}, "Bq").decay(float((DAY - date(2024, 2, 20)).days), "d")
    assert line.today == pytest.approx(decayed.activities("Bq")["Cs-137"], rel=5e-4)
    assert line.left == pytest.approx(line.today / 1.85e9)


@pytest.mark.parametrize(
    ("days", "words", "overdue"),
    [(-3, "overdue by 3 d", True), (0, "in 0 d", False), (30, "in 30 d", False), (31, "later", False)],
)
def test_dates_that_are_past_near_or_far(days: int, words: str, overdue: bool) -> None:
    (line,), _ = inventory(declared(leak_test_due=DAY + timedelta(days=days)), DAY)  # type: ignore[arg-type]
    shutter, leak = line.dues
    assert (leak.words, leak.overdue) == (words, overdue)
    assert (shutter.words, shutter.overdue) == ("not stated", False)


def test_loops_without_a_source_are_named() -> None:
    lines, without = inventory(terminal().loops, DAY)
    assert {line.loop for line in lines} == {"TB-07", "TB-08"}
    assert without == ["TB-09"]


def test_activities_have_a_prefix() -> None:
    assert [activity_words(value) for value in (3.7e10, 1.85e9, 3.7e8, 5e3, 10.0)] == [
        "37 GBq",
        "1.85 GBq",
        "370 MBq",
        "5 kBq",
        "10 Bq",
    ]
