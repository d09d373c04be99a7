"""Another signal, another time, another variable, a value scaled twice: named on the plant, silent on what only looks alike."""

from __future__ import annotations

import numpy as np
import pytest

from checks.catalogue import CHECKS
from checks.diagnose import diagnose
from checks.finding import Finding
from checks.result import CheckResult, Link
from checks.variable_findings import one_speed
from checks.window import Window
from checks.wiring_findings import findings as of_lines
from checks.wiring_findings import signal
from deploy.plant.model import Switch
from deploy.plant.site import scenario_of
from tests.checks.runs_of_terminal import BEGIN, changed, run_of, terminal, window_of, windows_of

SEED = 7
QUIET_H = 1.3
LOOPS = ("TB-07", "TB-09")


def faulty(fault: str, loop: str, minutes: float, severity: float | None = None, begin_h: float = QUIET_H) -> Window:
    switch = Switch(fault, at_h=begin_h, severity=severity)
    return window_of(run_of(loop, begin_h + minutes / 60.0, seed=SEED, faults=[switch], scenario=scenario_of(loop, SEED)))


def findings(window: Window, results: list[CheckResult]) -> list[Finding]:
    return [*signal(window, results), *of_lines(window, results)]


def told(window: Window) -> tuple[Finding, ...]:
    return diagnose(window, [result for check in CHECKS for result in check.check(window)])


@pytest.mark.parametrize("loop", LOOPS)
@pytest.mark.parametrize(
    ("fault", "minutes", "link"),
    [
        ("wrong-channel", 25.0, Link.CURRENT),
        ("clock-shift", 25.0, Link.COMMUNICATION),
        ("double-scaling", 3.0, Link.SCALING_BLOCK),
        ("double-scaling", 20.0, Link.SCALING_BLOCK),
    ],
)
def test_fault_of_the_wiring_is_named_alone(fault: str, minutes: float, link: Link, loop: str) -> None:
    found = told(faulty(fault, loop, minutes))
    assert [(item.cause, item.link) for item in found] == [(fault, link)], [(i.cause, i.link, i.sentence) for i in found]
    assert abs(found[0].begin - (BEGIN + QUIET_H * 3600)) <= 180


def test_load_on_the_current_is_named_where_the_speed_varies() -> None:
    found = told(faulty("wrong-variable", "TB-09", 25.0))
    assert [(item.cause, item.link) for item in found] == [("wrong-variable", Link.GAUGE_OUTPUT)]


def test_load_on_the_current_at_one_speed_is_a_range_like_any_other() -> None:
    """P = c F / v at a constant v is a straight line through zero: nothing but a change of speed tells it from a range."""
    samples = run_of("TB-07", 1.5, seed=SEED, faults=[Switch("wrong-variable", at_h=0.5, severity=55.0)])
    assert list(findings(window_of(samples), [r for c in CHECKS for r in c.check(window_of(samples))])) == []


def test_shift_of_whole_hours_says_how_many_and_that_the_tonnes_are_right() -> None:
    (found,) = told(faulty("clock-shift", "TB-07", 25.0))
    assert found.evidence[1].value == pytest.approx(1.0)
    assert "1 h behind" in found.sentence
    assert "tonnes are right" in found.sentence


def test_without_an_hour_of_history_channel_and_clock_stay_a_tie() -> None:
    window = faulty("wrong-channel", "TB-07", 25.0, begin_h=0.3)
    found = [item for item in told(window) if item.alternatives and item.alternatives[0].cause == "wrong-channel"]
    assert [(item.cause, item.odds) for item in found[0].alternatives] == [("wrong-channel", 1.0), ("clock-shift", 1.0)]
    assert "more minutes of flow" in found[0].gate[0]


def test_clocks_that_run_apart_are_told_with_the_growth_of_the_lag() -> None:
    """The PLC side falls behind by 40 s in two hours: 20 s/h."""
    n = 7200

    def late(column: np.ndarray) -> np.ndarray:
        at = np.arange(n) - 40.0 * np.arange(n) / n
        return np.asarray(column[np.clip(np.round(at).astype(int), 0, n - 1)], np.float64)

    roles = dict.fromkeys(("plc_flow", "ai_raw", "loop_current"), late)
    samples = changed(run_of("TB-07", 2.0, seed=SEED), **roles)
    window = window_of(samples)
    found = list(findings(window, [result for check in CHECKS for result in check.check(window)]))
    assert [item.cause for item in found] == ["clock-shift"]
    assert found[0].evidence[1].value == pytest.approx(20.0, abs=4.0)


@pytest.mark.parametrize("loop", ["TB-07", "TB-08", "TB-09"])
def test_sound_loops_have_none(loop: str) -> None:
    samples = run_of(loop, 3.0, seed=SEED, scenario=scenario_of(loop, SEED))
    for window in windows_of(samples, terminal(), 700):
        assert list(findings(window, [result for check in CHECKS for result in check.check(window)])) == []


@pytest.mark.parametrize(
    "fault",
    ["upper-range", "lower-range", "ton-unit", "square-root", "live-zero-mix", "raw-span", "compliance-ceiling", "extra-filter",
     "low-cutoff", "zero-clamp", "current-leak", "output-trim", "counted-twice", "total-time-base"],
)  # fmt: skip
def test_look_alikes_are_none_of_these(fault: str) -> None:
    for minutes in (4.0, 30.0):
        window = faulty(fault, "TB-09", minutes, begin_h=0.5)
        found = list(findings(window, [result for check in CHECKS for result in check.check(window)]))
        assert found == [], [(item.cause, item.sentence) for item in found]


def test_range_named_at_one_speed_keeps_the_other_variable_beside_it() -> None:
    from checks.lines import chain

    steady = faulty("wrong-variable", "TB-07", 25.0, severity=55.0)
    (beside,) = one_speed(steady, chain(steady.loop)[0], int(steady.end_s - 1500))
    assert beside.cause == "wrong-variable"
    assert "speed" in beside.separated_by
    varied = faulty("upper-range", "TB-09", 35.0)
    assert one_speed(varied, chain(varied.loop)[0], int(varied.end_s - 2100)) == ()
