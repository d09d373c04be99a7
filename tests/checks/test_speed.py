"""Belt speed against the drive."""

from __future__ import annotations

import numpy as np
import pytest

from checks import speed
from checks.result import CheckResult, Verdict
from tests.checks.runs_of_terminal import samples_by_hand, small_site, window_of

ROLES = ("flow", "speed", "drive_running", "drive_speed")


def judged(metres: object, hertz: object = 50.0, runs: object = 1.0, n: int = 200) -> CheckResult:
    columns = {"flow": 100.0, "speed": metres, "drive_running": runs, "drive_speed": hertz}
    laid = {role: np.broadcast_to(np.asarray(column, float), n) for role, column in columns.items()}
    return speed.check(window_of(samples_by_hand(laid), small_site(ROLES)))[0]


@pytest.mark.parametrize(
    ("metres", "verdict"),
    [(1.9, Verdict.OK), (1.886, Verdict.OK), (1.86, Verdict.SUSPECT), (1.8, Verdict.FAULT), (3.8, Verdict.FAULT)],
)
def test_speed_against_the_feedback_of_the_drive(metres: float, verdict: Verdict) -> None:
    """1.9 m/s at 50 Hz; 1 % is doubtful, 3 % wrong."""
    assert judged(metres).verdict is verdict


def test_speed_that_follows_a_variable_drive_agrees() -> None:
    hertz = 40.0 + 10.0 * np.sin(np.arange(200) / 60.0)
    assert judged(1.9 * hertz / 50.0, hertz).verdict is Verdict.OK


def test_speed_lost_while_the_drive_runs() -> None:
    result = judged(0.0)
    assert result.verdict is Verdict.FAULT
    assert result.facts["lost"] == 1.0


def test_speed_held_while_the_drive_stands() -> None:
    result = judged(1.9, 0.0, 0.0)
    assert result.verdict is Verdict.FAULT
    assert result.facts["held"] == 1.0


def test_belt_that_runs_out_after_a_stop_is_no_contradiction() -> None:
    runs, metres = np.ones(200), np.full(200, 1.9)
    runs[190:], metres[190:] = 0.0, np.linspace(1.9, 0.0, 10)
    assert judged(metres, 50.0 * runs, runs).verdict is not Verdict.FAULT


def test_without_feedback_the_missing_tag_is_named() -> None:
    window = window_of(samples_by_hand({"flow": np.ones(30), "speed": np.full(30, 1.9)}), small_site(["flow", "speed"]))
    result = speed.check(window)[0]
    assert result.verdict is Verdict.NOT_EVALUATED
    assert "drive_speed" in result.needs[0]
