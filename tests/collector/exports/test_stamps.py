"""Local times through changes of the clock, and dates that can be read two ways.

The clocks of central Europe change on the last Sundays of March and October at 01:00 UTC (Directive 2000/84/EC).
"""

from __future__ import annotations

import numpy as np
import pytest

from collector.exports.stamps import DateOrder, looks_like_time, sheet_days, stamps
from collector.exports.understanding import Understanding

AUTUMN = 1_824_940_800
"""2027-10-31 00:00 UTC; 02:00 local comes twice, at 00:00 and 01:00 UTC."""
SPRING = 1_806_192_000
"""2027-03-28 00:00 UTC; 02:00 local is left out, 01:00 UTC is 03:00."""


def clock(day: str, hours: list[int]) -> list[str]:
    return [f"{day} {hour:02d}:{minute:02d}:00" for hour in hours for minute in range(60)]


def test_hour_that_comes_twice_is_told_apart_by_the_clock_going_back() -> None:
    said = Understanding()
    found = stamps(clock("31.10.2027", [1, 2, 2, 3]), "Europe/Berlin", said)
    assert found.time.tolist() == [AUTUMN - 3600 + 60 * minute for minute in range(240)]
    assert any("told apart where the clock goes back" in sentence for sentence in said.understood)


def test_hour_that_comes_once_is_the_first_of_the_two() -> None:
    said = Understanding()
    found = stamps(clock("2027-10-31", [1, 2, 3]), "Europe/Berlin", said)
    assert np.diff(found.time).max() == 3660.0
    assert found.time[60] == AUTUMN
    assert any("taken for the first of the two" in sentence for sentence in said.understood)


def test_series_of_a_long_file_are_told_apart_each_alone() -> None:
    hours = clock("2027-10-31", [2, 2])
    cells = [cell for cell in hours for _ in range(2)]
    group = [0, 1] * len(hours)
    found = stamps(cells, "Europe/Berlin", Understanding(), group=group)
    for series in (0, 1):
        assert found.time[series::2].tolist() == [AUTUMN + 60 * minute for minute in range(120)]


def test_spring_has_no_hole_in_utc() -> None:
    found = stamps(clock("2027-03-28", [1, 3]), "Europe/Berlin", Understanding())
    assert found.time.tolist() == [SPRING + 60 * minute for minute in range(120)]


def test_recorder_that_keeps_standard_time_all_year_is_recognised() -> None:
    said = Understanding()
    found = stamps(clock("2027-03-28", [1, 2, 3]), "Europe/Berlin", said)
    assert found.time.tolist() == [SPRING + 60 * minute for minute in range(180)]
    assert "standard time all year (UTC+1 h)" in said.assumed[0]


def test_times_with_a_zone_need_none() -> None:
    found = stamps(
        ["2027-03-01T06:00:00+01:00", "2027-03-01 05:00:01Z", "2027-03-01 00:00:02 -0500"], "Asia/Tokyo", Understanding()
    )
    assert found.time.tolist() == [1_803_877_200, 1_803_877_201, 1_803_877_202]


@pytest.mark.parametrize(
    ("cells", "order", "kind"),
    [
        (["13/04/2027 06:00:00"], DateOrder.DAY_FIRST, "understood"),
        (["04/13/2027 06:00:00"], DateOrder.MONTH_FIRST, "understood"),
        (["03/04/2027 06:00:00", "04/04/2027 06:00:00", "05/04/2027 06:00:00"], DateOrder.DAY_FIRST, "assumed"),
        (["04/03/2027 06:00:00", "04/04/2027 06:00:00", "04/05/2027 06:00:00"], DateOrder.MONTH_FIRST, "assumed"),
        (["04.03.2027 06:00:00"], DateOrder.DAY_FIRST, "understood"),
        (["3/4/2027 6:00:00 AM"], DateOrder.MONTH_FIRST, "assumed"),
        (["3/4/2027 6:00:00"], DateOrder.DAY_FIRST, "questions"),
    ],
)
def test_day_or_month_first(cells: list[str], order: DateOrder, kind: str) -> None:
    said = Understanding()
    assert stamps(cells, "UTC", said).order is order
    assert any("day" in sentence or "month" in sentence for sentence in getattr(said, kind))


def test_order_that_is_said_holds() -> None:
    first, second = (stamps(["3/4/2027 6:00"], "UTC", Understanding(), order=order).time[0] for order in DateOrder)
    assert first - second == 30 * 86400.0  # 3 April and 4 March


def test_epoch_milliseconds_and_noon_and_fractions() -> None:
    assert stamps(["1803877200500"], "UTC", Understanding()).time.tolist() == [1_803_877_200.5]
    noon = stamps(["2027-03-01 12:00:00 AM", "2027-03-01 12:00:00 PM", "2027-03-01 06:00:00,25"], "UTC", Understanding()).time
    assert (noon - noon[0]).tolist() == [0.0, 12 * 3600.0, 6 * 3600.0 + 0.25]


def test_day_numbers_of_spreadsheets() -> None:
    """Day 25,569 is 1970-01-01 in the 1900 date base (ISO/IEC 29500-1, 18.17.4)."""
    days = sheet_days(["25569.5", "25570.25"])
    assert days is None  # too early for a plant
    days = sheet_days(["46447.25", ""])
    assert days is not None
    assert days[0].startswith("2027-03-01 06:00:00")
    assert days[1] == ""
    assert sheet_days(["46447", "46448"]) is None  # whole numbers may be anything
    assert sheet_days(["abc"]) is None


@pytest.mark.parametrize("cell", ["TB-07", "12.5", "", "420,5 t/h", "2027-13", "1,234"])
def test_what_is_no_time(cell: str) -> None:
    assert not looks_like_time(cell)


def test_date_that_never_was_has_no_time() -> None:
    assert np.isnan(stamps(["31.02.2027 06:00", "01.03.2027 25:00"], "UTC", Understanding()).time).all()
