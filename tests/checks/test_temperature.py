"""Limits, rate of change and belief in the detector temperature."""

from __future__ import annotations

import numpy as np
import pytest

from checks import temperature
from checks.result import CheckResult, Verdict
from tests.checks.runs_of_terminal import BEGIN, evaluations, one, samples_by_hand, small_site, window_of

ROLES = ("flow", "detector_temperature")


def judged(degrees: object, n: int = 900) -> CheckResult:
    columns = {"flow": np.ones(n), "detector_temperature": np.broadcast_to(np.asarray(degrees, float), n)}
    return temperature.check(window_of(samples_by_hand(columns), small_site(ROLES)))[0]


@pytest.mark.parametrize(
    ("degrees", "verdict"),
    [(30.0, Verdict.OK), (45.0, Verdict.OK), (46.0, Verdict.SUSPECT), (55.5, Verdict.FAULT), (-10.5, Verdict.SUSPECT),
     (-21.0, Verdict.FAULT), (180.0, Verdict.SUSPECT), (-273.0, Verdict.SUSPECT), (0.0, Verdict.SUSPECT), (0.1, Verdict.OK)],
)  # fmt: skip
def test_level(degrees: float, verdict: Verdict) -> None:
    assert judged(degrees).verdict is verdict


def test_impossible_value_doubts_the_sensor_not_the_detector() -> None:
    result = judged(850.0)
    assert result.facts["implausible"] == 1.0
    assert "sensor" in result.reason


def test_zero_for_a_moment_is_a_winter_day() -> None:
    degrees = np.full(900, 0.2)
    degrees[-20:] = 0.0
    assert judged(degrees).verdict is Verdict.OK


def test_step_past_the_limit_is_a_fault_within_30_s() -> None:
    degrees = np.full(900, 35.0)
    degrees[612:] = 58.0
    samples = samples_by_hand({"flow": np.ones(900), "detector_temperature": degrees})
    found = [e.time_s - BEGIN for e in evaluations(samples, small_site(ROLES))
             if one(e.results, "temperature").verdict is Verdict.FAULT]  # fmt: skip
    assert found[0] <= 612 + 30


def test_single_wild_reading_is_no_fault() -> None:
    degrees = np.full(900, 35.0)
    degrees[895] = 90.0
    assert judged(degrees).verdict is Verdict.OK


@pytest.mark.parametrize(("k_min", "verdict"), [(1.0, Verdict.OK), (3.0, Verdict.SUSPECT)])
def test_rate_of_change_over_ten_minutes(k_min: float, verdict: Verdict) -> None:
    result = judged(10.0 + k_min * np.arange(600) / 60.0 + np.random.default_rng(1).normal(0.0, 0.3, 600), 600)
    assert result.verdict is verdict
    assert result.value("rate_k_min") == pytest.approx(k_min, abs=0.15)


def test_missing_tag_and_bad_readings_say_what_is_needed() -> None:
    assert judged(np.nan).needs
    result = temperature.check(window_of(samples_by_hand({"flow": np.ones(30)}), small_site(["flow"])))[0]
    assert result.verdict is Verdict.NOT_EVALUATED
    assert "temperature" in result.needs[0]
