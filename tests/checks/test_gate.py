"""What data are still needed: a formula first, a sentence last."""

from __future__ import annotations

import numpy as np
import pytest

from checks.gate import can_improve, is_met, still_needed
from checks.lines import chain
from tests.checks.test_lines import loop_of

LINE = chain(loop_of("plc_flow"))[0]
FLOOR = np.diag([0.08**2, 0.0014**2])


def information(mean: float, sd: float, rows: int, sigma: float) -> np.ndarray:
    return rows / sigma**2 * np.array([[1.0, mean], [mean, mean**2 + sd**2]])


def test_steady_load_leaves_it_closed_and_a_swinging_one_opens_it() -> None:
    for sd, met in ((2.0, False), (90.0, True)):
        covariance = np.linalg.inv(information(260.0, sd, 120, 0.8)) + FLOOR
        assert is_met(LINE, 0.0, -0.16 if met else -0.012, covariance, 260.0) is met


def test_parallel_line_with_an_offset_that_matters_is_enough() -> None:
    covariance = np.diag([0.1**2, 0.0008**2])
    assert is_met(LINE, 4.2, 0.0002, covariance, 260.0)
    assert not is_met(LINE, 0.4, 0.0002, covariance, 260.0)


def test_need_names_minutes_and_a_level_on_the_other_side_of_the_load() -> None:
    need = still_needed(
        LINE, deviation=-5.0, mean=260.0, information=information(260.0, 3.0, 120, 0.8), floor=FLOOR, sigma=0.8, rho=0.3,
        length_s=10,
    )  # fmt: skip
    assert need.below
    assert 0.0 < need.minutes <= 120.0
    assert need.level == pytest.approx(90.0)
    assert need.sentence() == f"need {need.minutes:.0f} more minutes below 90 t/h to name the cause"


def test_light_load_asks_for_more_load() -> None:
    need = still_needed(
        LINE, deviation=5.0, mean=40.0, information=information(40.0, 3.0, 120, 0.8), floor=FLOOR, sigma=0.8, rho=0.3,
        length_s=10,
    )  # fmt: skip
    assert not need.below
    assert need.level > 200.0


def test_noisier_rows_need_more_minutes() -> None:
    quiet, noisy = (
        still_needed(
            LINE, deviation=-3.0, mean=260.0, information=information(260.0, 3.0, 60, sigma), floor=FLOOR, sigma=sigma,
            rho=0.3, length_s=10,
        ).minutes
        for sigma in (0.5, 6.0)
    )  # fmt: skip
    assert noisy > quiet


def test_more_data_are_asked_for_only_while_the_scatter_counts_beside_what_no_data_can_tell() -> None:
    assert can_improve(LINE, np.linalg.inv(information(260.0, 3.0, 60, 0.8)), FLOOR)
    assert not can_improve(LINE, np.linalg.inv(information(220.0, 90.0, 4000, 0.8)), FLOOR)
