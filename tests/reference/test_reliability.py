"""Reliability arithmetic against printed examples. Each source stands beside its numbers."""

from __future__ import annotations

import pytest
from scipy import stats

from checks.reliability.rates import Censoring, availability_of, mtbf
from checks.reliability.trend import chi_square, laplace, power_law

NIST = (5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478)
"""NIST/SEMATECH e-Handbook 8.4.5.2, test ends at 1500 h."""
MIL = (
    2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7, 93.9, 95.5, 98.1, 101.1, 132.0, 142.2, 147.7, 149.0,
    167.2, 190.7, 193.0, 198.7, 251.9, 282.5, 286.1,
)  # fmt: skip
"""MIL-HDBK-189 (1981), appendix C, test ends at 300 h (second-hand)."""


def test_limits_of_800_hours_with_two_failures_are_those_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 8.4.5.1, printed 127.0690 and 2251.229 (T and r from memory)
    found = mtbf(800.0, 2, confidence=0.9)
    assert found.value == 400.0
    assert found.lower == pytest.approx(127.0690, abs=5e-5)
    assert found.upper == pytest.approx(2251.229, abs=5e-4)


@pytest.mark.parametrize(
    ("failures", "confidence", "lower", "upper"),
    [
        (1, 0.90, 0.2108, 19.4957), (1, 0.95, 0.1795, 39.4979),
        (2, 0.60, 0.4674, 2.4260), (2, 0.80, 0.3758, 3.7607), (2, 0.90, 0.3177, 5.6281), (2, 0.95, 0.2768, 8.2573),
        (5, 0.60, 0.6324, 1.6184), (5, 0.80, 0.5391, 2.0554), (5, 0.90, 0.4756, 2.5379), (5, 0.95, 0.4285, 3.0798),
        (10, 0.60, 0.7326, 1.3719), (10, 0.80, 0.6491, 1.6074), (10, 0.90, 0.5895, 1.8432), (10, 0.95, 0.5438, 2.0853),
    ],
)  # fmt: skip
def test_factors_are_those_of_the_tables_of_the_handbook(failures: int, confidence: float, lower: float, upper: float) -> None:
    # NIST/SEMATECH e-Handbook 8.4.5.1, factor tables (computed)
    found = mtbf(float(failures), failures, confidence=confidence)
    assert found.lower == pytest.approx(lower, abs=5e-5)
    assert found.upper == pytest.approx(upper, abs=5e-5)


@pytest.mark.parametrize(("confidence", "divisor"), [(0.6, 0.9163), (0.8, 1.6094), (0.9, 2.3026), (0.95, 2.9957)])
def test_without_a_failure_there_is_a_lower_limit_only(confidence: float, divisor: float) -> None:
    # NIST/SEMATECH e-Handbook 8.4.5.1: T / -ln(alpha)
    found = mtbf(1000.0, 0, confidence=confidence)
    assert (found.value, found.upper) == (None, None)
    assert found.lower == pytest.approx(1000.0 / divisor, rel=5e-5)


def test_an_observation_that_a_failure_ended_has_two_degrees_of_freedom_less() -> None:
    # 1600 / chi2(0.95; 4), computed; the rule from memory
    assert mtbf(800.0, 2, censoring=Censoring.FAILURE).lower == pytest.approx(168.64, abs=5e-3)


def test_power_law_of_the_handbook_to_the_printed_digits() -> None:
    # NIST/SEMATECH e-Handbook 8.4.5.2, printed output of its script
    fit = power_law(NIST, 1500.0, confidence=0.8)
    assert 1.0 - fit.shape == pytest.approx(0.516494, abs=5e-7)
    assert fit.shape == pytest.approx(0.483506, abs=5e-7)
    assert fit.scale == pytest.approx(0.2913003, abs=5e-7)
    assert fit.mtbf == pytest.approx(310.234, abs=5e-4)
    assert fit.lower == pytest.approx(157.7138, rel=1e-4)
    assert fit.upper == pytest.approx(548.5566, rel=1e-4)


def test_the_maximum_likelihood_fit_is_another_number_than_the_unbiased_one() -> None:
    # same data, computed
    fit = power_law(NIST, 1500.0, unbiased=False)
    assert fit.shape == pytest.approx(0.537229, abs=5e-7)
    assert fit.scale == pytest.approx(0.196658, abs=5e-7)
    assert fit.mtbf == pytest.approx(279.211, abs=5e-4)
    assert len(NIST) / fit.shape == pytest.approx(18.614041, abs=5e-7)  # the sum of ln(T/t)


def test_power_law_of_the_military_handbook() -> None:
    # MIL-HDBK-189 (1981), appendix C: 0.716, 0.454, 15.5 (from memory), more digits computed
    fit = power_law(MIL, 300.0, unbiased=False)
    assert fit.shape == pytest.approx(0.716339, abs=5e-7)
    assert fit.scale == pytest.approx(0.453842, abs=5e-7)
    assert fit.mtbf == pytest.approx(15.511, abs=5e-4)
    assert 1.0 / fit.mtbf == pytest.approx(0.0644705, abs=5e-8)
    assert power_law(MIL, 300.0).shape == pytest.approx(0.689808, abs=5e-7)


def test_laplace_and_chi_square_of_the_handbook_data_disagree_at_five_percent() -> None:
    # computed by the formulas of NIST/SEMATECH e-Handbook 8.2.3.4; critical value 31.410 of its chi-square table
    u = laplace(NIST, 1500.0)
    assert u.statistic == pytest.approx(-1.32695, abs=5e-5)
    assert u.p_improving == pytest.approx(0.0923, abs=5e-5)
    other = chi_square(NIST, 1500.0)
    assert other.statistic == pytest.approx(37.228, abs=5e-4)
    assert other.freedom == 20
    assert other.p_improving == pytest.approx(0.01099, abs=5e-6)
    assert stats.chi2.ppf(0.95, 20) == pytest.approx(31.410, abs=5e-4)


def test_laplace_of_the_military_data_improves() -> None:
    # computed
    u = laplace(MIL, 300.0)
    assert u.statistic == pytest.approx(-2.318, abs=5e-4)
    assert u.p_improving == pytest.approx(0.010, abs=5e-4)


@pytest.mark.parametrize(("up", "down", "expected"), [(1000, 8, 0.9920635), (8760, 24, 0.9972678), (400, 4, 0.9900990)])
def test_steady_state_availability_of_mean_up_and_down_times(up: float, down: float, expected: float) -> None:
    # ITU-T dependability vocabulary, asymptotic availability, computed
    assert availability_of(up, down) == pytest.approx(expected, abs=5e-8)


def test_availability_of_failures_counted_from_one_to_the_next() -> None:
    # (MTBF - MTTR)/MTBF where MTBF is counted failure to failure; computed
    assert availability_of(1000.0 - 8.0, 8.0) == pytest.approx(0.992, abs=5e-8)


@pytest.mark.parametrize(("availability", "hours"), [(0.99, 87.6), (0.995, 43.8), (0.999, 8.76)])
def test_hours_down_in_a_year_of_8760_hours(availability: float, hours: float) -> None:
    # arithmetic
    assert availability_of(8760.0 - hours, hours) == pytest.approx(availability)


GROWTH = (
    2.7, 10.3, 12.5, 30.6, 57, 61.3, 80, 109.5, 125, 128.6, 143.8, 167.9, 229.2, 296.7, 320.6, 328.2, 366.2, 396.7, 421.1, 438.2,
    501.2, 620,
)  # fmt: skip
"""Data set `system_growth` of the open package `reliability` 0.9.0; the last failure ends the observation."""


def test_an_observation_that_ends_with_a_failure_is_fitted_by_its_own_rule() -> None:
    # data of the package, numbers computed
    fit = power_law(GROWTH, 620.0, censoring=Censoring.FAILURE, unbiased=False)
    assert fit.shape == pytest.approx(0.614210, abs=5e-7)
    assert fit.scale == pytest.approx(0.423942, abs=5e-7)
    assert fit.mtbf == pytest.approx(45.883, abs=5e-4)
    better = power_law(GROWTH, 620.0, censoring=Censoring.FAILURE)
    assert better.shape == pytest.approx(0.558373, abs=5e-7)
    assert better.mtbf == pytest.approx(50.471, abs=5e-4)
    assert better.lower is None
    assert laplace(GROWTH, 620.0, Censoring.FAILURE).statistic == pytest.approx(-2.78316, abs=5e-6)
