"""Line fits against certified values of the NIST Statistical Reference Datasets (StRD, linear regression).

Norris: data and certified values seen in public copies of the set. NoInt1 and NoInt2: certified figures from memory,
reproduced by exact rational arithmetic (251/121, 8/11). Longley: data of the package statsmodels, certified coefficients seen.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from checks.fit import least_squares, whitened_least_squares

NORRIS_X = np.array(
    [
        0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5, 11.6,
        556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
    ]
)  # fmt: skip
NORRIS_Y = np.array(
    [
        0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8,
        557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
    ]
)  # fmt: skip


def test_norris_line_is_met_to_nine_digits() -> None:
    fit = least_squares(np.stack([np.ones(36), NORRIS_X], axis=1), NORRIS_Y)
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    errors = np.sqrt(np.diag(fit.covariance))
    assert errors == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-9)
    assert fit.sigma == pytest.approx(0.884796396144373, rel=1e-9)
    assert fit.rss == pytest.approx(26.6173985294224, rel=1e-9)


def test_norris_line_is_kept_where_no_row_follows_another() -> None:
    design = np.stack([np.ones(36), NORRIS_X], axis=1)
    fit = whitened_least_squares(design, NORRIS_Y, np.zeros(36, np.bool_))
    assert fit.rho == 0.0
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)


def test_noint1_line_through_zero_is_met_to_nine_digits() -> None:
    x, y = np.arange(60.0, 71.0), np.arange(130.0, 141.0)
    fit = least_squares(x[:, None], y)
    assert fit.coefficients[0] == pytest.approx(251 / 121, rel=1e-12)
    assert fit.coefficients[0] == pytest.approx(2.07438016528926, rel=1e-9)
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(0.0165289256198347, rel=1e-9)
    assert fit.sigma == pytest.approx(3.56753034006338, rel=1e-9)


def test_wampler1_polynomial_is_reproduced() -> None:
    """Wampler1 (constructed: y is the sum of x^k for k from 0 to 5, every coefficient is 1)."""
    x = np.arange(21.0)
    powers = np.stack([x**k for k in range(6)], axis=1)
    scale = powers.max(axis=0)
    fit = least_squares(powers / scale, powers.sum(axis=1))
    assert fit.coefficients / scale == pytest.approx(np.ones(6), rel=1e-6)


def test_noint2_line_through_zero_is_met_to_nine_digits() -> None:
    fit = least_squares(np.array([[4.0], [5.0], [6.0]]), np.array([3.0, 4.0, 4.0]))
    assert fit.coefficients[0] == pytest.approx(8 / 11, rel=1e-12)
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(0.0420827318078432, rel=1e-9)
    assert fit.sigma == pytest.approx(0.369274472937998, rel=1e-9)


def test_longley_with_its_nearly_dependent_columns_is_met_to_seven_digits() -> None:
    data = sm.datasets.longley.load_pandas()
    design = np.column_stack([np.ones(16), data.exog.to_numpy(np.float64)])
    fit = least_squares(design / design.max(axis=0), data.endog.to_numpy(np.float64))
    certified = [-3482258.634596, 15.06187227, -0.03581918, -2.02022980, -1.03322687, -0.05110411, 1829.15146461]
    assert fit.coefficients / design.max(axis=0) == pytest.approx(certified, rel=2e-7)


def test_norris_behind_a_gain_of_ten_thousand_tonnes_keeps_its_digits() -> None:
    """The same line far from zero, as totals are: shifted by 1e4 the slope and its error stay the certified ones."""
    design = np.stack([np.ones(36), NORRIS_X + 1e4], axis=1)
    fit = least_squares(design, NORRIS_Y + 1e4)
    assert fit.coefficients[1] == pytest.approx(1.00211681802045, rel=1e-9)
    assert np.sqrt(fit.covariance[1, 1]) == pytest.approx(0.429796848199937e-3, rel=1e-9)


@pytest.mark.statistical
def test_norris_slope_and_error_hold_where_the_residual_has_a_memory() -> None:
    """The certified line with AR(1) noise of the certified size, 300 draws (seed 3636): two stated errors hold 92 to 98 %."""
    rng = np.random.default_rng(3636)
    order = np.argsort(NORRIS_X)
    x = np.repeat(NORRIS_X[order], 4)
    design = np.stack([np.ones(len(x)), x], axis=1)
    follows = np.ones(len(x), np.bool_)
    follows[0] = False
    held = 0
    for _ in range(300):
        noise = np.empty(len(x))
        noise[0] = rng.standard_normal()
        for row in range(1, len(x)):
            noise[row] = 0.6 * noise[row - 1] + 0.8 * rng.standard_normal()
        fit = whitened_least_squares(design, -0.262323073774029 + 1.00211681802045 * x + 0.884796396144373 * noise, follows)
        held += abs(fit.coefficients[1] - 1.00211681802045) < 2.0 * np.sqrt(fit.covariance[1, 1])
    print(f"seed 3636: {held} of 300")
    assert 0.90 <= held / 300 <= 0.985
