"""Silent, dull, stale: one answer for each side."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from checks import freshness
from checks.result import CheckResult, Link, Verdict
from checks.samples import FLAG_CLOCK_STEP, Samples
from config.roles import ROLES, Side
from tests.checks.runs_of_terminal import changed, run_of, samples_by_hand, small_site, window_of

BASE = run_of("TB-07", 0.3, seed=6)
GAUGE = [role for role in BASE.values if ROLES[role].side is Side.GAUGE]


def silent(seconds: int, *, until: int = 0) -> Callable[[np.ndarray], np.ndarray]:
    def change(values: np.ndarray) -> np.ndarray:
        values[len(values) - until - seconds : len(values) - until] = np.nan
        return values

    return change


def side(samples: Samples, which: int = 0) -> CheckResult:
    return freshness.check(window_of(samples))[which]


def test_sound_loop_answers_for_three_sides() -> None:
    results = freshness.check(window_of(BASE))
    assert [result.verdict for result in results] == [Verdict.OK] * 3
    assert {result.link for result in results} == {Link.COMMUNICATION}
    assert [result.facts["side"] for result in results] == [0.0, 1.0, 2.0]


@pytest.mark.parametrize(
    ("seconds", "verdict"), [(2, Verdict.OK), (3, Verdict.SUSPECT), (29, Verdict.SUSPECT), (30, Verdict.FAULT)]
)
def test_side_that_falls_silent(seconds: int, verdict: Verdict) -> None:
    result = side(changed(BASE, **dict.fromkeys(GAUGE, silent(seconds))))
    assert result.verdict is verdict
    assert result.facts.get("lost") == (1.0 if verdict is Verdict.FAULT else None)


def test_single_dead_tag_is_named_and_is_not_the_loss_of_the_device() -> None:
    result = side(changed(BASE, detector_temperature=silent(60)))
    assert result.verdict is Verdict.FAULT
    assert "detector_temperature" in result.reason
    assert "lost" not in result.facts


@pytest.mark.parametrize(("gone", "verdict"), [(20, Verdict.OK), (60, Verdict.SUSPECT), (200, Verdict.FAULT)])
def test_share_of_good_readings_over_ten_minutes(gone: int, verdict: Verdict) -> None:
    assert side(changed(BASE, **dict.fromkeys(GAUGE, silent(gone, until=50)))).verdict is verdict


def test_first_seconds_of_a_run_are_no_fault() -> None:
    begin = BASE[slice(0, 30)]
    assert side(changed(begin, **dict.fromkeys(GAUGE, silent(25, until=5)))).verdict is Verdict.OK


def test_flow_that_repeats_while_the_plc_moves_is_stale() -> None:
    samples = run_of("TB-07", 0.5, seed=2, faults=["steady-load"])[slice(0, 1740)]
    held = changed(samples, flow=lambda v: np.where(np.arange(len(v)) < 1600, v, v[1600]))
    result = side(held)
    assert result.verdict is Verdict.FAULT
    assert result.facts["stale"] == 1.0
    assert "plc_flow moved" in result.reason


@pytest.mark.parametrize(("reach", "verdict"), [(20.0, Verdict.OK), (200.0, Verdict.FAULT)])
def test_flow_that_stands_at_zero_is_stale_only_where_the_plc_moves_far(reach: float, verdict: Verdict) -> None:
    columns = {"flow": np.zeros(300), "plc_flow": np.linspace(0.0, reach, 300), "drive_running": np.ones(300)}
    window = window_of(samples_by_hand(columns), small_site(tuple(columns)))
    assert freshness.check(window)[0].verdict is verdict


def test_empty_belt_may_repeat_itself() -> None:
    samples = run_of("TB-07", 0.5, seed=2, faults=["empty-belt"])
    assert side(changed(samples, flow=lambda v: np.zeros(len(v)))).verdict is Verdict.OK


def test_clock_step_is_told() -> None:
    samples = changed(BASE)
    samples.flags[-100] = FLAG_CLOCK_STEP
    result = side(samples)
    samples.flags[-100] = 0
    assert result.facts["clock_step"] == 1.0
    assert "clock" in result.reason


def test_one_missing_reading_at_a_step_of_a_minute_is_no_loss() -> None:
    flow = np.full(60, 100.0)
    flow[-1] = np.nan
    samples = samples_by_hand({"flow": flow}, step_s=60)
    assert freshness.check(window_of(samples, small_site(["flow"])))[0].verdict is not Verdict.FAULT
    flow[-2] = np.nan
    samples = samples_by_hand({"flow": flow}, step_s=60)
    assert freshness.check(window_of(samples, small_site(["flow"])))[0].verdict is Verdict.FAULT
