"""The second of a change: as sharp as the rows allow, and no sharper."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from checks.moment import Moment, moment
from checks.onset import last_change
from tests.checks.test_fit import correlated

FLOOR, LENGTH = 0.2, 10
Floats = NDArray[np.float64]


def found(
    second: float, step: float, sigma: float, seed: int, *, rho: float = 0.0, late_s: float = 0.0, gap_s: int = 0
) -> Moment:
    """200 rows of 10 s from second 0 on; the deviation steps at a second, `gap_s` seconds are missing behind row 100."""
    rng = np.random.default_rng(seed)
    start = LENGTH * np.arange(200, dtype=np.int64)
    start[100:] += gap_s
    x = 260.0 + 20.0 * correlated(rng, 200, 0.9)
    behind = np.clip((start + LENGTH - second) / LENGTH, 0.0, 1.0)
    deviation = step * behind * x / 260.0 + sigma * correlated(rng, 200, rho)
    _, split = last_change(x, deviation, floor=FLOOR)
    assert split is not None
    return moment(start, x, np.full(200, 2.0), deviation, split, length_s=LENGTH, floor=FLOOR, late_s=late_s)


@pytest.mark.parametrize("second", [1000, 1003, 1005, 1009])
def test_large_step_is_dated_to_the_second(second: int) -> None:
    """13 t/h in noise of 0.15 t/h: the height of the row between the lines tells 0.15/13 x 10 s = 0.1 s."""
    when = found(second, 13.0, 0.15, 5)
    assert when.low <= second <= when.high
    assert abs(when.at - second) <= 1
    assert when.high - when.low <= 2
    assert when.held >= 0.95


@pytest.mark.statistical
@pytest.mark.parametrize(("step", "sigma", "rho"), [(2.0, 0.5, 0.0), (1.5, 0.8, 0.0), (2.0, 0.5, 0.6), (13.0, 0.15, 0.0)])
def test_interval_holds_the_second_as_often_as_it_says(step: float, sigma: float, rho: float) -> None:
    """Within four standard errors of what is stated; for a small step in noise that is 95 %."""
    rng = np.random.default_rng(71)
    held, stated, widths = 0, [], []
    for seed in range(150):
        second = int(rng.integers(700, 1300))
        when = found(second, step, sigma, seed, rho=rho)
        held += when.low <= second <= when.high
        stated.append(when.held)
        widths.append(when.high - when.low)
    said = float(np.mean(stated))
    print(f"seed 71, step {step}, sigma {sigma}, rho {rho}: {held} of 150, stated {said:.1%}, width {np.median(widths):.0f} s")
    assert abs(held / 150 - said) < 4.0 * np.sqrt(said * (1.0 - said) / 150) + 0.01


@pytest.mark.statistical
@pytest.mark.parametrize("at_the_far_end", [True, False])
def test_path_that_is_late_widens_the_interval_by_no_more_than_it_must(at_the_far_end: bool) -> None:
    """A path of 8 s: what changes at its begin is seen 8 s later, what changes at its end at once."""
    rng = np.random.default_rng(72)
    held, widths = 0, []
    for seed in range(150):
        second = int(rng.integers(700, 1300))
        when = found(second + (0 if at_the_far_end else 8), 2.0, 0.5, seed, late_s=8.0)
        held += when.low <= second <= when.high
        widths.append(when.high - when.low - 8)
    alone = [w.high - w.low for w in (found(1000, 2.0, 0.5, seed) for seed in range(50))]
    print(f"seed 72: {held} of 150, wider than the path by {np.median(widths):.0f} s, without a path {np.median(alone):.0f} s")
    assert held >= 134
    assert np.mean(widths) <= np.mean(alone)


def test_change_in_a_gap_may_be_anywhere_in_it() -> None:
    when = found(1000, 13.0, 0.15, 6, gap_s=600)
    assert when.low <= 1030
    assert when.high >= 1570
    assert when.high <= 1601
