"""Least squares and its errors where residuals are correlated."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from checks.fit import effective_rows, lag_one, least_squares, whiten, whitened_least_squares

Floats = NDArray[np.float64]


def correlated(rng: np.random.Generator, rows: int, rho: float) -> Floats:
    noise = rng.standard_normal(rows)
    out = np.empty(rows)
    out[0] = noise[0]
    for row in range(1, rows):
        out[row] = rho * out[row - 1] + np.sqrt(1.0 - rho * rho) * noise[row]
    return out


def all_follow(rows: int) -> NDArray[np.bool_]:
    follows = np.ones(rows, np.bool_)
    follows[0] = False
    return follows


def test_dependent_columns_are_refused() -> None:
    x = np.linspace(0.0, 1.0, 30)
    with pytest.raises(np.linalg.LinAlgError):
        least_squares(np.stack([np.ones(30), x, 2.0 * x], axis=1), x)


def test_fewer_rows_than_columns_are_refused() -> None:
    with pytest.raises(np.linalg.LinAlgError):
        least_squares(np.ones((1, 1)), np.ones(1))


def test_lag_one_correlation_is_found_across_gaps() -> None:
    rng = np.random.default_rng(11)
    values = np.concatenate([correlated(rng, 400, 0.6), correlated(rng, 400, 0.6)])
    follows = all_follow(800)
    follows[400] = False
    assert lag_one(values, follows) == pytest.approx(0.6, abs=0.08)


def test_lag_one_of_few_or_constant_rows_is_zero() -> None:
    assert lag_one(np.arange(5.0), all_follow(5)) == 0.0
    assert lag_one(np.full(50, 3.0), all_follow(50)) == 0.0


def test_whitening_leaves_white_noise() -> None:
    rng = np.random.default_rng(12)
    values = correlated(rng, 2000, 0.8)
    white = whiten(values, all_follow(2000), 0.8)
    assert lag_one(white, all_follow(2000)) < 0.06
    assert white.std() == pytest.approx(0.6, rel=0.06)


@pytest.mark.statistical
@pytest.mark.parametrize(("rho_e", "rho_x"), [(0.0, 0.6), (0.6, 0.6), (0.8, 0.6)])
def test_two_standard_errors_hold_95_per_cent_where_residuals_are_correlated(rho_e: float, rho_x: float) -> None:
    rng = np.random.default_rng(13)
    draws, outside = 300, 0
    for _ in range(draws):
        x = 260.0 + 60.0 * correlated(rng, 120, rho_x)
        y = 1.0 * x + 0.8 * correlated(rng, 120, rho_e)
        fit = whitened_least_squares(np.stack([np.ones(120), x], axis=1), y, all_follow(120))
        outside += abs(fit.coefficients[1] - 1.0) > 2.0 * np.sqrt(fit.covariance[1, 1])
    assert outside / draws < 0.09


def test_effective_rows_shrink_with_correlation() -> None:
    assert effective_rows(100, 0.0) == 100.0
    assert effective_rows(100, 0.6) == pytest.approx(25.0)
    assert effective_rows(100, 0.6, 0.6) == pytest.approx(100 * (1 - 0.36) / (1 + 0.36))


def test_bic_prefers_the_line_without_a_useless_column() -> None:
    rng = np.random.default_rng(14)
    x = rng.uniform(0.0, 1.0, 200)
    y = 2.0 + x + 0.1 * rng.standard_normal(200)
    line = least_squares(np.stack([np.ones(200), x], axis=1), y)
    more = least_squares(np.stack([np.ones(200), x, rng.standard_normal(200)], axis=1), y)
    assert line.bic < more.bic
