"""Shifts, days and months over changes of the clocks."""

from __future__ import annotations

from datetime import UTC, date, datetime
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from checks.accounting.calendar import day, month, periods, shifts_of

SHIFTS = ("06:00", "14:00", "22:00")
ZONE = "Europe/Berlin"


def test_day_of_25_hours_is_named() -> None:
    # Directive 2000/84/EC: clocks go back at 01:00 UTC on the last Sunday of October. (2026-10-25)
    long = day(date(2026, 10, 24), SHIFTS, ZONE)
    assert long.hours == 25.0
    assert long.note == "25 h long: the clocks go back by 1 h"


def test_day_of_23_hours_is_named() -> None:
    # Directive 2000/84/EC: clocks go forward at 01:00 UTC on the last Sunday of March. (2026-03-29)
    short = day(date(2026, 3, 28), SHIFTS, ZONE)
    assert short.hours == 23.0
    assert short.note == "23 h long: the clocks go forward by 1 h"
    assert [shift.hours for shift in shifts_of(date(2026, 3, 28), SHIFTS, ZONE)] == [8.0, 8.0, 7.0]


def test_begin_is_that_of_the_local_clock() -> None:
    assert day(date(2026, 7, 1), SHIFTS, ZONE).begin == int(datetime(2026, 7, 1, 4, tzinfo=UTC).timestamp())


def test_december_ends_in_the_next_year() -> None:
    assert month(2026, 12, SHIFTS, "UTC").end == int(datetime(2027, 1, 1, 6, tzinfo=UTC).timestamp())


def test_no_day_between_gives_no_period() -> None:
    assert periods("day", date(2026, 5, 2), date(2026, 5, 1), SHIFTS, ZONE) == ()


@given(
    on=st.dates(date(2000, 1, 1), date(2037, 12, 1)),
    zone=st.sampled_from(["UTC", ZONE, "America/Regina", "America/St_Johns", "Australia/Lord_Howe", "Asia/Kolkata"]),
    shifts=st.sets(st.sampled_from([f"{h:02d}:{m}" for h in range(24) for m in ("00", "30")]), min_size=1, max_size=6),
)
def test_shifts_fill_the_day_and_days_fill_the_month(on: date, zone: str, shifts: set[str]) -> None:
    inside = shifts_of(on, tuple(shifts), zone)
    whole = day(on, tuple(shifts), zone)
    assert (inside[0].begin, inside[-1].end) == (whole.begin, whole.end)
    assert all(one.end == other.begin for one, other in pairwise(inside))
    span = month(on.year, on.month, tuple(shifts), zone)
    assert span.begin <= whole.begin < whole.end <= span.end
