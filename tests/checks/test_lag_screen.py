"""The cheap look at lateness never hides what the search would find, and spares the search on sound lines."""

from __future__ import annotations

import numpy as np
import pytest

from checks.lag_screen import Screen
from checks.lag_shape import CLEAN, DELAYS_S, EXPLAINS, LENGTHS_S, PLAIN_S, _averaged, _best, _delayed, _filtered, _left
from tests.checks.simulation import swinging_load

SEED, HOURS_S, SPAN = 41, 7200, 500.0
DELAYS = range(0, PLAIN_S + 1, 2)


def screen_of(late: np.ndarray, x: np.ndarray, noise: float) -> Screen:
    y = late + np.random.default_rng(SEED).normal(0.0, noise, len(x))
    return Screen(x, x, y, 1, SPAN)


def swinging() -> np.ndarray:
    return swinging_load(np.random.default_rng(SEED), HOURS_S)


@pytest.mark.parametrize("noise", [0.1, 2.0])
@pytest.mark.parametrize("lag", [12.0, 14.5, 17.0, 24.0, 33.0, 60.0, 110.0, 200.0])
@pytest.mark.parametrize("shape", [_filtered, _averaged])
def test_every_lag_that_the_search_explains_is_let_through(shape: object, lag: float, noise: float) -> None:
    x = swinging()
    length = lag if shape is _filtered else 2.0 * lag
    screen = screen_of(_delayed(shape(x, length, 1), 3), x, noise)  # type: ignore[operator]
    for count in LENGTHS_S:
        plain, _ = screen.plain(count, DELAYS)
        most = min(EXPLAINS * plain, CLEAN * SPAN)
        found = min(
            _best(lambda tau: _filtered(x, tau, 1), screen.y, count, 1)[0],
            _best(lambda tau: _averaged(x, 2.0 * tau, 1), screen.y, count, 1)[0],
        )
        assert found > most or screen.may_be_late(count, most)


def test_line_behind_a_plain_delay_with_noise_is_not_searched() -> None:
    x = swinging()
    screen = screen_of(_delayed(x, 2), x, 0.005 * SPAN)
    for count in LENGTHS_S:
        plain, delay = screen.plain(count, DELAYS)
        assert delay == 2
        assert not screen.may_be_late(count, min(EXPLAINS * plain, CLEAN * SPAN))


@pytest.mark.parametrize("step", [1, 2])
@pytest.mark.parametrize("count", LENGTHS_S)
def test_plain_delay_is_the_best_of_all_tried_one_by_one(count: int, step: int) -> None:
    x = swinging()
    rows = count // step
    screen = Screen(x, x, _delayed(x, DELAYS_S[-1]) + np.random.default_rng(SEED).normal(0.0, 3.0, len(x)), step, SPAN)
    delays = range(0, PLAIN_S // step + 1, max(2 // step, 1))
    left = [_left(_delayed(x, delay), screen.y, rows) for delay in delays]
    plain, delay = screen.plain(rows, delays)
    assert plain == pytest.approx(min(left), rel=1e-6)
    assert left[delays.index(delay)] == pytest.approx(min(left), rel=1e-6)
