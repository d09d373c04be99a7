"""Lag between stations: coarse from differences, fine from the distributed-lag fit, and the kernels between."""

from __future__ import annotations

import numpy as np
import pytest

from checks.lag import coarse_lag, declared_kernel, history, pick
from tests.checks.simulation import one_pole, steady_load

N = 1200


@pytest.mark.parametrize("lag_s", [0, 2, 13, 40])
def test_coarse_lag_is_found_under_a_steady_load(lag_s: int) -> None:
    rng = np.random.default_rng(61)
    x = 260.0 + one_pole(40.0 * rng.standard_normal(N + 100), 10.0)
    y = np.roll(x, lag_s)[100:] + 0.2 * rng.standard_normal(N)
    assert coarse_lag(x[100:], y, step_s=1.0) == pytest.approx(lag_s, abs=1)


def test_unrelated_or_constant_series_have_no_lag() -> None:
    rng = np.random.default_rng(62)
    assert coarse_lag(np.full(N, 3.0), rng.standard_normal(N), step_s=1.0) is None
    assert coarse_lag(rng.standard_normal(60), rng.standard_normal(60), step_s=1.0) is None


def test_gaps_do_not_move_the_lag() -> None:
    rng = np.random.default_rng(63)
    x = steady_load(rng, N + 5, 260.0, 20.0)
    y = np.roll(x, 3)[5:]
    x = x[5:]
    x[200:260] = np.nan
    assert coarse_lag(x, y, step_s=1.0) == pytest.approx(3.0, abs=1)


@pytest.mark.parametrize(("delay", "tau"), [(2.0, 0.0), (13.0, 0.0), (2.0, 20.0), (0.0, 60.0)])
def test_declared_kernel_carries_block_means_through_delay_and_filter(delay: float, tau: float) -> None:
    rng = np.random.default_rng(64)
    seconds = steady_load(rng, 6000, 260.0, 50.0, memory=300.0)
    late = one_pole(np.roll(seconds, int(delay)), tau)
    x, y = seconds.reshape(-1, 10).mean(axis=1), late.reshape(-1, 10).mean(axis=1)
    kernel = declared_kernel(10, delay, tau, 1.0)
    assert kernel.weights.sum() == pytest.approx(1.0)
    assert kernel.lag_s == pytest.approx(delay + tau, abs=0.05 * tau + 0.1)
    followed = kernel.follow(x, np.zeros(len(x)))
    settled = slice(len(kernel.weights) + 5, None)
    part = 0.25 if delay + tau > 5.0 else 0.8
    assert (followed[settled] - y[settled]).std() < part * (x[settled] - y[settled]).std()


def test_history_needs_every_row_before_and_no_gap() -> None:
    usable = np.array([True, True, True, False, True, True, True, True])
    follows = np.array([False, True, True, True, True, True, False, True])
    assert history(usable, follows, 1).tolist() == [False, True, True, False, False, True, False, True]
    assert history(usable, follows, 2).tolist() == [False, False, True, False, False, False, False, False]


def test_long_horizons_are_thinned_to_the_newest_and_an_even_choice_of_the_rest() -> None:
    chosen = pick(np.ones(8640, np.bool_))
    assert len(chosen) == 1440
    assert chosen[-720:].tolist() == list(range(7920, 8640))
    assert np.diff(chosen[:720]).max() <= 12
