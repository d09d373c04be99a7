"""Levels, clipping and standing still of the current."""

from __future__ import annotations

import numpy as np
import pytest

from checks import current
from checks.result import CheckResult, Link, Verdict
from deploy.plant.model import Switch
from tests.checks.runs_of_terminal import run_of, samples_by_hand, small_site, window_of

ROLES = ("flow", "loop_current", "speed")


def judged(milliamps: object, flow: object = 260.0, n: int = 60) -> CheckResult:
    columns = {"loop_current": np.broadcast_to(milliamps, n), "flow": np.broadcast_to(flow, n), "speed": np.full(n, 1.9)}  # type: ignore[call-overload]
    return current.check(window_of(samples_by_hand(columns), small_site(ROLES)))[0]


@pytest.mark.parametrize(
    ("milliamps", "verdict", "fact"),
    [(0.02, Verdict.FAULT, "open"), (3.5, Verdict.FAULT, "failure_low"), (3.6, Verdict.FAULT, "failure_low"),
     (3.7, Verdict.SUSPECT, "outside"), (3.8, Verdict.OK, ""), (12.0, Verdict.OK, ""), (20.5, Verdict.OK, ""),
     (20.8, Verdict.SUSPECT, "outside"), (21.0, Verdict.FAULT, "failure_high"), (21.5, Verdict.FAULT, "failure_high")],
)  # fmt: skip
def test_level_of_ne_43(milliamps: float, verdict: Verdict, fact: str) -> None:
    result = judged(milliamps)
    assert result.verdict is verdict
    assert not fact or result.facts[fact] == 1.0
    assert result.evidence[0].unit == "mA"


def test_spike_shorter_than_the_confirmation_is_no_failure() -> None:
    signal = np.full(60, 12.0)
    signal[57:] = 0.0
    assert judged(signal).verdict is Verdict.OK
    signal[56:] = 0.0
    assert judged(signal).verdict is Verdict.FAULT


def test_raw_counts_stand_in_for_the_current() -> None:
    columns = {"flow": np.full(30, 260.0), "ai_raw": np.full(30, -6912.0), "speed": np.full(30, 1.9)}
    result = current.check(window_of(samples_by_hand(columns), small_site(("flow", "ai_raw", "speed"))))[0]
    assert (result.link, result.verdict) == (Link.INPUT_CARD, Verdict.FAULT)
    assert result.facts["open"] == 1.0


def test_loop_without_a_current_says_what_is_missing() -> None:
    result = current.check(window_of(samples_by_hand({"flow": np.ones(20)}), small_site(["flow"])))[0]
    assert result.verdict is Verdict.NOT_EVALUATED
    assert "ai_raw" in result.needs[0]


def test_peaks_beyond_the_range_are_told_as_clipped() -> None:
    rng = np.random.default_rng(1)
    flow = 410.0 + rng.normal(0.0, 15.0, 900)
    result = judged(np.clip(4.0 + 16.0 * flow / 420.0, 3.8, 20.5), flow, 900)
    assert result.verdict is Verdict.SUSPECT
    assert 0.05 < result.facts["clipped"] < 0.6


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_output_that_stands_under_a_moving_flow_is_a_fault_after_two_minutes(seed: int) -> None:
    samples = run_of("TB-07", 0.4, seed=seed, faults=[Switch("output-frozen", 0.3)])
    assert current.check(window_of(samples[slice(0, 1080)]))[0].verdict is Verdict.OK
    result = current.check(window_of(samples))[0]
    assert result.verdict is Verdict.FAULT
    assert result.facts["still"] == 1.0


def test_cut_off_flow_on_an_empty_belt_may_stand_for_an_hour() -> None:
    """A gauge with a cut-off shows exact constants on an empty belt for hours."""
    assert judged(4.0, 0.0, 3600).verdict is Verdict.OK


def test_deadbanded_current_with_a_steady_flow_is_no_fault() -> None:
    assert judged(12.0, 210.0, 600).verdict is Verdict.OK
