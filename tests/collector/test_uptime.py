"""Uptime read from a history: local days, weeks and months, and sums that hold over them."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from checks.blocks import Blocks
from checks.reliability.rates import mtbf
from checks.reliability.timeline import LoopState
from collector import uptime
from collector.uptime_text import estimate, lines_of, percent
from tests.checks.reliability.test_timeline import BEGIN, blocks
from tests.collector.web import plant
from tests.service.fakes import MemoryStore

HALIFAX = ZoneInfo("America/Halifax")


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 8), 23), (date(2026, 11, 1), 25), (date(2026, 3, 9), 24)])
def test_local_days_have_23_24_or_25_hours(day: date, hours: int) -> None:
    begin, end = uptime.stretch_of("day", day, HALIFAX)
    assert (end - begin) / 3600 == hours


def test_days_of_a_month_with_a_change_of_clocks_part_it() -> None:
    begin, end = uptime.stretch_of("month", date(2026, 3, 31), HALIFAX)
    days = uptime.days_of(begin, end, HALIFAX)
    assert (len(days), days[0][0], days[-1][1]) == (31, begin, end)
    assert all(one[1] == other[0] for one, other in pairwise(days))
    assert (end - begin) / 3600 == 31 * 24 - 1


def test_a_month_ends_where_the_next_begins() -> None:
    for month in range(1, 12):
        _, end = uptime.stretch_of("month", date(2028, month, 28), HALIFAX)
        assert end == uptime.stretch_of("month", date(2028, month + 1, 1), HALIFAX)[0]


def test_an_alert_without_blocks_is_an_outage_outside_required_time() -> None:
    begin, end = int(plant.NOW) - 86400, int(plant.NOW)
    found = uptime.read(MemoryStore(), lambda *_: [plant.alert()], plant.alert().loop, begin, end)
    assert [item.state for item in found.intervals] == [LoopState.NO_DATA]
    assert found.tally.availability is None
    assert uptime.sentence([found]).startswith("No time was required")
    lines = lines_of([found], HALIFAX)
    assert max(len(line) for line in lines) <= 80
    text = uptime.csv_text([found], HALIFAX)
    assert text.count("\r\n") == 1 + len(uptime.days_of(begin, end, HALIFAX))


def test_a_share_is_100_percent_only_where_it_is_all() -> None:
    assert [percent(share) for share in (None, 1.0, 0.99999)] == ["none", "100 %", "99.99 %"]


def test_without_a_failure_the_text_says_so_with_the_lower_limit() -> None:
    assert estimate(mtbf(230.26, 0)) == "not known: no failure; at least 100 h (90 %, one-sided)"


def test_a_week_whose_first_minutes_are_dropped_is_read_by_the_hour_before_them() -> None:
    class Aged(MemoryStore):
        def rollups(self, loop: str, length_s: int, begin: int, end: int) -> Blocks | None:
            if length_s == 60:
                return blocks([(minute, "loaded", 1.0) for minute in range(180, 360)])
            return blocks([(hour, "loaded", 1.0) for hour in range(6) if BEGIN + hour * 3600 < end], 3600)

    found = uptime.read(Aged(), lambda *_: [], "TB-07", BEGIN, BEGIN + 6 * 3600)
    assert found.tally.required == 6 * 3600
    assert [(item.state, item.end - item.begin) for item in found.intervals] == [(LoopState.TRUE, 6 * 3600)]
