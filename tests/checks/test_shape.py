"""Model order before any pivot: straight, bent, limited, a power."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from checks import shape
from tests.checks.test_fit import all_follow

Floats = NDArray[np.float64]
S = 420.0


@pytest.fixture
def loads() -> Floats:
    rng = np.random.default_rng(41)
    return 200.0 + 140.0 * np.sin(np.arange(240) / 7.0) + 5.0 * rng.standard_normal(240)


def chosen(x: Floats, y: Floats) -> shape.Shape:
    noise = 0.5 * np.random.default_rng(42).standard_normal(len(x))
    return shape.choose(x, y + noise, all_follow(len(x)), 0.0, S)


@pytest.mark.parametrize("line", [(1.0, 0.0), (0.84, 0.0), (0.8, 84.0), (1.0, 5.0)])
def test_straight_fault_stays_a_line(loads: Floats, line: tuple[float, float]) -> None:
    found = chosen(loads, line[0] * loads + line[1])
    assert found.model == shape.LINE
    assert abs(found.curvature_t) < shape.CURVED


def test_square_root_is_a_power_of_one_half(loads: Floats) -> None:
    """40 t/h reads 129.6, 260 reads 330.5, 420 reads 420."""
    assert S * np.sqrt(np.array([40.0, 260.0, 420.0]) / S) == pytest.approx([129.6, 330.5, 420.0], abs=0.05)
    found = chosen(loads, S * np.sqrt(loads / S))
    assert found.model == shape.POWER
    assert found.exponent == pytest.approx(0.5, abs=0.02)
    assert abs(found.curvature_t) > shape.CURVED


def test_square_is_a_power_of_two(loads: Floats) -> None:
    found = chosen(loads, S * (loads / S) ** 2)
    assert found.model == shape.POWER
    assert found.exponent == pytest.approx(2.0, abs=0.05)


def test_supply_that_cannot_drive_more_than_13_ma_is_a_ceiling(loads: Floats) -> None:
    ceiling = (13.0 - 4.0) / 16.0 * S
    found = chosen(loads, np.minimum(loads, ceiling))
    assert found.model == shape.HINGE
    assert found.ceiling == pytest.approx(ceiling, abs=1.0)
    assert found.knot == pytest.approx(ceiling, abs=4.0)


def test_load_without_spread_says_line() -> None:
    x = np.full(60, 260.0)
    assert chosen(x, x).model == shape.LINE


@pytest.mark.parametrize("size", [1e22, 1e30])
def test_number_that_is_read_from_a_wrong_register_leaves_no_shape(loads: Floats, size: float) -> None:
    """A double holds 16 digits: a row of 1e22 t/h leaves none to those of 300 t/h."""
    x = loads.copy()
    x[-1] = -size
    assert chosen(x, loads).model == shape.LINE


def test_square_root_is_told_where_the_noise_of_an_empty_belt_makes_no_root() -> None:
    """Below 5 % of span rows are what a clamped root makes of noise about zero: half of it is cut off and the rest is steep."""
    rng = np.random.default_rng(43)
    loads = np.concatenate([200.0 + 140.0 * np.sin(np.arange(160) / 7.0), 0.01 * S * rng.standard_normal(30)])
    seconds = loads[:, None] + 0.01 * S * rng.standard_normal((190, 10))
    rows = S * np.sqrt(np.maximum(seconds, 0.0) / S)
    found = shape.choose(seconds.mean(axis=1), rows.mean(axis=1), all_follow(190), 0.0, S)
    assert found.model == shape.POWER
    assert found.exponent == pytest.approx(0.5, abs=0.02)
