"""Since when: the change of a line in noise that has a memory."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from checks.onset import kink, last_change, split_line
from tests.checks.test_fit import correlated

FLOOR = 0.2


def rows(rng: np.random.Generator, count: int = 300, rho: float = 0.3) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return 260.0 + 40.0 * correlated(rng, count, 0.9), 0.5 * correlated(rng, count, rho)


def test_step_of_the_range_is_found_at_its_row_with_a_narrow_interval() -> None:
    x, deviation = rows(np.random.default_rng(31))
    deviation[200:] += -0.05 * x[200:]
    split = split_line(x, deviation, floor=FLOOR)
    assert split is not None
    assert abs(split.row - 200) <= 1
    assert split.first <= 200 <= split.last
    assert split.last - split.first <= 4


def test_change_is_found_from_three_rows_on() -> None:
    x, deviation = rows(np.random.default_rng(32))
    deviation[-3:] += 13.0
    split = split_line(x, deviation, floor=FLOOR)
    assert split is not None
    assert split.row == 297


def test_too_few_rows_have_no_change() -> None:
    assert split_line(np.arange(5.0), np.arange(5.0), floor=FLOOR) is None


def test_repair_leaves_only_what_came_after_it() -> None:
    x, deviation = rows(np.random.default_rng(33))
    deviation[100:200] += 0.1 * x[100:200]
    begin, split = last_change(x, deviation, floor=FLOOR)
    assert split is not None
    assert abs(begin - 200) <= 1


@pytest.mark.statistical
@pytest.mark.parametrize("rho", [0.0, 0.3, 0.6, 0.9])
def test_sound_line_with_a_memory_has_no_change(rho: float) -> None:
    rng = np.random.default_rng(34)
    found = sum(split_line(*rows(rng, 300, rho), floor=FLOOR) is not None for _ in range(60))
    assert found <= 1


@pytest.mark.statistical
def test_interval_holds_the_true_row_in_nine_of_ten_draws() -> None:
    rng = np.random.default_rng(35)
    held = 0
    for _ in range(100):
        x, deviation = rows(rng, 200, 0.3)
        deviation[120:] += 1.0
        split = split_line(x, deviation, floor=FLOOR)
        held += split is not None and split.first <= 120 <= split.last
    assert held >= 90


def test_row_that_holds_the_change_is_no_second_change() -> None:
    """A sharp fault in the middle of row 200: that row lies between the two lines and would be taken for a line of its own."""
    x, deviation = rows(np.random.default_rng(36))
    deviation *= 0.1
    deviation[200] += 0.6 * 0.08 * x[200]
    deviation[201:] += 0.08 * x[201:]
    begin, split = last_change(x, deviation, floor=FLOOR)
    assert split is not None
    assert begin in (200, 201)
    assert split.first <= 201


@pytest.mark.statistical
@pytest.mark.parametrize("rho", [0.0, 0.6])
def test_interval_of_a_kink_holds_the_true_row_in_nine_of_ten_draws(rho: float) -> None:
    """A total of 0.1 t digits that loses 2 % of 260 t/h from row 200 of 300 on."""
    rng = np.random.default_rng(37)
    held, widths = 0, []
    for _ in range(200):
        tonnes = np.cumsum(np.full(300, 0.72) + 0.1 * rng.standard_normal(300))
        level = 7.0 - 0.02 * np.maximum(tonnes - tonnes[200], 0.0) + 0.035 * correlated(rng, 300, rho)
        best, first, last = kink(tonnes, level)
        assert first <= best <= last
        held += first <= 200 <= last
        widths.append(last - first)
    print(f"seed 37, rho {rho}: {held} of 200, width {np.mean(widths):.1f} rows")
    assert held >= 178
    assert np.mean(widths) < 40


def test_level_that_starts_anywhere_has_its_kink_where_it_bends() -> None:
    """The level before need not be the first value: one noisy digit there would move the kink."""
    tonnes = np.arange(100.0)
    level = 3.0 + 0.05 * np.maximum(tonnes - 60.0, 0.0)
    level[0] += 0.5
    best, first, last = kink(tonnes, level)
    assert abs(best - 60) <= 2
    assert first <= 60 <= last
