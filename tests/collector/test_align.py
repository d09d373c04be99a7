"""The grid rule, driven by hand: no clock runs here."""

from __future__ import annotations

import math

import numpy as np
import pytest

from checks.samples import BAD, FLAG_CLOCK_STEP, FLAG_HELD, GOOD, UNCERTAIN, Samples
from collector.align import Aligner, ClockWatch
from collector.reading import Reading
from tests.collector.two_sides import two_sides

T0 = 1_800_000_000
SITE = two_sides(
    {
        "flow": {"endpoint": "gauge", "address": 0},
        "gauge_range_high": {"endpoint": "gauge", "address": 4},
        "plc_flow": {"endpoint": "plc", "node": "ns=2;s=F"},
        "moisture": {"endpoint": "plc", "node": "ns=2;s=M", "period": 5.0},
    }
)


def reading(role: str, time: float, value: float, quality: int = GOOD, source: float | None = None) -> Reading:
    return Reading(loop="TB-07", role=role, value=value, quality=quality, receive_time=T0 + time, source_time=source)


def aligner() -> Aligner:
    return Aligner(SITE, "TB-07")


def flows(samples: Samples) -> list[float]:
    return [float(value) for value in samples.values["flow"]]


def test_second_is_closed_two_seconds_after_its_end_and_only_once() -> None:
    grid = aligner()
    grid.take([reading("flow", 0.4, 100.0), reading("flow", 1.4, 101.0)])
    assert len(grid.close_until(T0 + 2.99)) == 0
    first = grid.close_until(T0 + 3.0)
    assert (first.time_s.tolist(), flows(first)) == ([T0], [100.0])
    assert len(grid.close_until(T0 + 3.5)) == 0
    assert flows(grid.close_until(T0 + 4.0)) == [101.0]


def test_last_good_reading_of_a_second_holds() -> None:
    grid = aligner()
    grid.take([reading("flow", 0.9, 103.0), reading("flow", 0.1, 100.0), reading("flow", 0.5, 101.0)])
    grid.take([reading("flow", 0.95, math.nan, BAD)])
    samples = grid.close_until(T0 + 3)
    assert flows(samples) == [103.0]
    assert samples.quality["flow"].tolist() == [GOOD]


def test_missing_reading_is_held_for_two_periods_then_bad() -> None:
    grid = aligner()
    grid.take([reading("flow", 0.5, 100.0)])
    samples = grid.close_until(T0 + 6)
    assert samples.quality["flow"].tolist() == [GOOD, GOOD, BAD, BAD]
    assert flows(samples)[:2] == [100.0, 100.0]
    assert np.isnan(flows(samples)[2:]).all()
    assert (samples.flags & FLAG_HELD).tolist() == [0, FLAG_HELD, 0, 0]


def test_hold_follows_the_period_of_the_tag_and_a_setting_holds_a_minute() -> None:
    grid = aligner()
    grid.take([reading("moisture", 0.5, 0.7), reading("gauge_range_high", 0.5, 500.0)])
    samples = grid.close_until(T0 + 100)
    assert int(np.isfinite(samples.values["moisture"]).sum()) == 10
    assert int(np.isfinite(samples.values["gauge_range_high"]).sum()) == 60


def test_bad_reading_ends_what_was_held_and_uncertain_stays_usable() -> None:
    grid = aligner()
    grid.take([reading("flow", 0.5, 100.0), reading("flow", 1.5, math.nan, BAD), reading("flow", 2.5, 102.0, UNCERTAIN)])
    samples = grid.close_until(T0 + 5)
    assert samples.quality["flow"].tolist() == [GOOD, BAD, UNCERTAIN]
    assert math.isnan(flows(samples)[1])


def test_value_that_is_not_finite_is_bad_whatever_its_quality_says() -> None:
    grid = aligner()
    grid.take([reading("flow", 0.5, math.inf)])
    samples = grid.close_until(T0 + 3)
    assert samples.quality["flow"].tolist() == [BAD]
    assert math.isnan(flows(samples)[0])


def test_late_reading_is_counted_and_changes_nothing() -> None:
    grid = aligner()
    grid.take([reading("flow", 0.5, 100.0), reading("flow", 1.5, 101.0)])
    grid.close_until(T0 + 3)
    grid.take([reading("flow", 0.8, 999.0)])
    assert grid.late == 1
    assert flows(grid.close_until(T0 + 4)) == [101.0]


def test_chunks_of_closing_give_the_same_samples() -> None:
    readings = [reading("flow", 0.3 + 1.1 * k, 100.0 + k) for k in range(30)]
    whole, pieces = aligner(), aligner()
    whole.take(readings)
    pieces.take(readings)
    at_once = whole.close_until(T0 + 33)
    one_by_one = [pieces.close_until(T0 + 3 + k / 2) for k in range(61)]
    assert np.concatenate([part.values["flow"] for part in one_by_one]).tobytes() == at_once.values["flow"].tobytes()


def test_source_time_decides_the_second_while_the_clocks_agree() -> None:
    grid = aligner()
    grid.take([reading("plc_flow", 1.05, 100.0, source=T0 + 0.95), reading("plc_flow", 2.05, 101.0, source=T0 + 1.95)])
    samples = grid.close_until(T0 + 4)
    assert samples.time_s.tolist() == [T0, T0 + 1]
    assert samples.values["plc_flow"].tolist() == [100.0, 101.0]
    assert grid.skew_s["plc"] == pytest.approx(-0.1, abs=1e-6)


def test_receive_time_decides_where_the_source_clock_is_off() -> None:
    grid = aligner()
    grid.take([reading("plc_flow", 1.05, 100.0, source=T0 + 31.0)])
    assert grid.close_until(T0 + 4).time_s.tolist() == [T0 + 1]
    assert grid.skew_s["plc"] == pytest.approx(29.95, abs=1e-6)


def test_value_that_never_changes_keeps_its_source_time_and_stays_good() -> None:
    grid = aligner()
    grid.take([reading("plc_flow", k + 0.5, 100.0, source=T0 + 0.4) for k in range(30)])
    samples = grid.close_until(T0 + 32)
    assert samples.quality["plc_flow"].tolist() == [GOOD] * 30
    assert grid.late == 0


def test_clock_watch_tells_steps_and_follows_drift() -> None:
    watch = ClockWatch()
    assert watch.observe(100.0, 0.0) is None
    assert watch.observe(110.3, 10.0) is None
    assert watch.observe(120.5, 20.0) is None
    assert watch.observe(135.5, 30.0) == pytest.approx(5.0)
    assert watch.observe(85.5, 40.0) == pytest.approx(-60.0)


def test_step_forward_flags_both_sides_and_a_long_one_leaves_a_gap() -> None:
    grid = aligner()
    grid.take([reading("flow", 0.5, 100.0)])
    grid.flag_step(T0 + 86400.0, 86400.0 - 1.0)
    grid.take([reading("flow", 86400.5, 101.0)])
    samples = grid.close_until(T0 + 86403.0)
    assert samples.time_s[-1] == T0 + 86400
    assert len(samples) == 600
    assert flows(samples)[-1] == 101.0
    assert samples.flags[-1] & FLAG_CLOCK_STEP


def test_step_back_makes_no_second_twice() -> None:
    grid = aligner()
    seen: list[int] = []
    for k in range(10):
        grid.take([reading("flow", k + 0.5, 100.0 + k)])
        seen += grid.close_until(T0 + k + 1).time_s.tolist()
    grid.flag_step(T0 + 5.0, -5.0)
    for k in range(5, 20):
        grid.take([reading("flow", k + 0.5, 200.0 + k)])
        samples = grid.close_until(T0 + k + 1)
        seen += samples.time_s.tolist()
    assert seen == sorted(set(seen))
    assert seen == list(range(T0, T0 + 18))
    assert grid.late == 3


def test_seconds_that_history_holds_are_never_made_again() -> None:
    grid = Aligner(SITE, "TB-07", after=T0 + 4)
    grid.take([reading("flow", k + 0.5, 100.0 + k) for k in range(8)])
    assert grid.close_until(T0 + 10).time_s.tolist() == [T0 + 5, T0 + 6, T0 + 7]
    assert grid.late == 5


def test_long_pause_before_a_restart_is_a_gap() -> None:
    grid = Aligner(SITE, "TB-07", after=T0)
    grid.take([reading("flow", 5000.5, 1.0)])
    assert grid.close_until(T0 + 5003).time_s.tolist() == [T0 + 5000]


def test_readings_of_others_are_left_alone() -> None:
    grid = aligner()
    grid.take([Reading(loop="TB-08", role="flow", value=1.0, quality=GOOD, receive_time=T0)])
    grid.take([reading("speed", 0.5, 1.9)])
    assert len(grid.close_until(T0 + 100)) == 0
