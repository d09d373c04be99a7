"""The crossing with identity, worked by hand for the faults of the trade on a range of 0 to 420 t/h."""

from __future__ import annotations

import numpy as np
import pytest

from checks.pivot import chi_square_at, fieller

LOW, HIGH = 0.0, 420.0
TIGHT = np.diag([0.2**2, 0.0005**2])


@pytest.mark.parametrize(
    ("name", "offset", "gain", "pivot_ma"),
    [
        ("gauge 0-500 against 420", 0.0, 420 / 500 - 1, 4.0),
        ("PLC 0-400 against 420", 0.0, 400 / 420 - 1, 4.0),
        ("gauge from -20", 20 * 420 / 440, 420 / 440 - 1, 20.0),
        ("short ton", 0.0, 0.10231, 4.0),
        ("20 kohm across 250 ohm", -(1 - 20 / 20.25) * 105, 20 / 20.25 - 1, 0.0),
        ("card 0-20", 84.0, -0.2, 20.0),
    ],
)
def test_worked_fault_crosses_identity_at_its_own_current(name: str, offset: float, gain: float, pivot_ma: float) -> None:
    pivot = fieller(offset, gain, TIGHT).in_ma(LOW, HIGH)
    assert pivot.at == pytest.approx(pivot_ma, abs=1e-9), name
    assert pivot.bounded
    assert pivot.low < pivot_ma < pivot.high
    assert pivot.high - pivot.low < 4.0


def test_leak_across_a_two_wire_transmitter_crosses_at_supply_over_load() -> None:
    """A = (E + U/R)/(1 + r/R): identity where E = U/r, 24 V over 250 ohm = 96 mA."""
    leak, load, supply = 6500.0, 250.0, 24.0
    gain = 1.0 / (1.0 + load / leak)
    offset_ma = gain * 1000.0 * supply / leak
    per_ma = (HIGH - LOW) / 16.0
    offset = (offset_ma + 4.0 * (gain - 1.0)) * per_ma
    assert fieller(offset, gain - 1.0, TIGHT).in_ma(LOW, HIGH).at == pytest.approx(96.0, abs=1e-6)


def test_unit_factor_crosses_at_zero_flow_and_not_at_4_ma_where_the_range_starts_below() -> None:
    assert fieller(0.0, 0.1, TIGHT).in_ma(-50.0, 420.0).at == pytest.approx(5.70, abs=0.005)


def test_line_that_cannot_be_told_from_identity_has_no_bounded_pivot() -> None:
    pivot = fieller(0.1, 0.0004, np.diag([0.3**2, 0.001**2]))
    assert not pivot.bounded


def test_parallel_line_has_its_pivot_at_infinity() -> None:
    pivot = fieller(2.1, 0.0, TIGHT)
    assert np.isinf(pivot.at)
    assert not pivot.bounded


def test_chi_square_is_small_at_the_true_pivot_and_large_elsewhere() -> None:
    offset, gain = 84.0, -0.2
    assert chi_square_at(420.0, offset, gain, TIGHT) == pytest.approx(0.0, abs=1e-9)
    assert chi_square_at(0.0, offset, gain, TIGHT) > 1000.0


@pytest.mark.statistical
def test_interval_covers_the_true_pivot_in_95_per_cent_of_draws() -> None:
    rng = np.random.default_rng(21)
    covariance = np.array([[4.0, -0.012], [-0.012, 0.00005]])
    root = np.linalg.cholesky(covariance)
    true = -105.0
    covered = 0
    for _ in range(1000):
        offset, gain = np.array([0.05 * true, -0.05]) + root @ rng.standard_normal(2)
        pivot = fieller(float(offset), float(gain), covariance)
        covered += pivot.low <= true <= pivot.high
    assert 0.93 < covered / 1000 < 0.97
