"""Uptime read from a history: local days, weeks and months, and sums that hold over them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from checks.blocks import Blocks
from checks.reliability.rates import mtbf
from checks.reliability.timeline import LoopState
from checks.reliability.trend import laplace, power_law
from collector import uptime
from collector.alerts.model import Alert
from collector.uptime_text import estimate, growth, lines_of, percent, trend
from tests.checks.reliability.test_timeline import BEGIN, blocks
from tests.collector.web import plant
from tests.reference.test_reliability import MIL, NIST
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


def test_a_trend_that_is_not_significant_is_not_called_one() -> None:
    # NIST/SEMATECH e-Handbook 8.4.5.2: U -1.327, one-sided p 0.092
    assert trend(laplace(NIST, 1500.0)) == (
        "trend: none proven; failures seem to become rarer, but a constant rate would do as well (Laplace U -1.33, one-sided p 0.092)"
    )
    assert trend(None) == "trend: too few failures to tell (at least 4 are needed)"


def test_growth_and_deterioration_are_told_with_the_shape_and_its_limits() -> None:
    # MIL-HDBK-189 (1981), appendix C improves; its times counted from the end deteriorate
    assert "reliability grows (Laplace U -2.32, one-sided p 0.010)" in trend(laplace(MIL, 300.0))
    fit = power_law(MIL, 300.0, confidence=0.9)
    assert fit.shape_lower is not None
    assert fit.shape_upper is not None
    assert growth(fit).startswith(
        f"power law (Crow-AMSAA): beta 0.69 (90 % limits {fit.shape_lower:.2f} to {fit.shape_upper:.2f}), below 1: reliability growth"
    )
    back = [300.0 - time for time in MIL]
    assert "deteriorates" in trend(laplace(back, 300.0))
    assert "above 1: deterioration" in growth(power_law(back, 300.0, confidence=0.9))
    assert "1 lies within: neither growth nor deterioration is proven" in growth(power_law([200, 450, 700, 900], 1000.0))
    assert growth(None) == ""


def test_limits_of_the_last_mtbf_that_so_few_failures_cannot_bound_are_not_invented() -> None:
    fit = power_law([200, 450, 700], 1000.0, confidence=0.99)
    assert fit.upper is None
    assert growth(fit).endswith("to beyond what so few failures can bound)")


class HourlyStore(MemoryStore):
    """A belt that ran with load for a hundred hours."""

    def rollups(self, loop: str, length_s: int, begin: int, end: int) -> Blocks | None:
        return blocks([(hour, "loaded", 1.0) for hour in range(100)], 3600) if length_s == 3600 else None


def failure(begin: int) -> Alert:
    """An alert of a dead detector that returned after an hour."""
    dead = replace(plant.finding(), cause="zero-counts", begin=begin, begin_interval=(begin, begin), end=begin + 3600)
    return plant.alert(
        id=f"TB-07-counts-{begin}", raised=float(begin + 30), active=False, returned=begin + 3900.0, finding=dead
    )


@pytest.mark.parametrize(("failures", "told"), [(3, False), (4, True)])
def test_the_power_law_is_fitted_to_required_hours_from_four_failures_on(failures: int, told: bool) -> None:
    alerts = [failure(BEGIN + hour * 3600) for hour in (5, 20, 50, 90)[:failures]]
    found = uptime.read(HourlyStore(), lambda *_: alerts, "TB-07", BEGIN, BEGIN + 100 * 3600)
    assert len(found.failures) == failures
    assert (found.growth is not None) == (found.trend is not None) == told
    if found.growth is not None:
        assert found.growth.shape == pytest.approx(power_law([5.0, 20.0, 50.0, 90.0], 100.0).shape)
    lines = lines_of([found], HALIFAX)
    assert max(len(line) for line in lines) <= 80
    assert any("Crow-AMSAA" in line for line in lines if line.startswith("  ")) == told
