"""Reliability arithmetic against a library outside the project: the open package `reliability`, and scipy on simulated failures."""

from __future__ import annotations

import math
from itertools import pairwise

import matplotlib
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from checks.reliability.rates import Censoring, mtbf, mttr
from checks.reliability.trend import laplace, power_law
from tests.reference.test_reliability import GROWTH, MIL, NIST

matplotlib.use("Agg")
planner = pytest.importorskip("reliability.Reliability_testing").reliability_test_planner
repairable = pytest.importorskip("reliability.Repairable_systems")

SEED = 20260730


@pytest.mark.parametrize("failures", [1, 2, 5, 17])
@pytest.mark.parametrize("confidence", [0.8, 0.9, 0.95])
@pytest.mark.parametrize("censoring", list(Censoring))
def test_lower_limit_of_mtbf_is_that_of_the_package(failures: int, confidence: float, censoring: Censoring) -> None:
    # reliability 0.9.0, reliability_test_planner: one-sided, so the two-sided limit of 1 - 2 (1 - CI)
    ours = mtbf(1234.5, failures, confidence=confidence, censoring=censoring)
    theirs = planner(
        test_duration=1234.5, number_of_failures=failures, CI=0.5 + confidence / 2.0, one_sided=True,
        time_terminated=censoring is Censoring.TIME, print_results=False,
    )  # fmt: skip
    assert ours.lower == pytest.approx(float(theirs.MTBF), rel=1e-9)


def test_lower_limit_without_a_failure_is_that_of_the_package() -> None:
    # reliability 0.9.0
    theirs = planner(
        test_duration=500.0, number_of_failures=0, CI=0.9, one_sided=True, time_terminated=True, print_results=False
    )
    assert mtbf(500.0, 0, confidence=0.9).lower == pytest.approx(float(theirs.MTBF), rel=1e-9)


@pytest.mark.parametrize("times", [NIST, MIL, GROWTH], ids=["handbook", "military", "package"])
def test_power_law_of_a_failure_terminated_observation_is_that_of_the_package(times: tuple[float, ...]) -> None:
    # reliability 0.9.0, reliability_growth(model="Crow-AMSAA"): maximum likelihood, ended by the last failure
    ours = power_law(times, times[-1], censoring=Censoring.FAILURE, unbiased=False)
    theirs = repairable.reliability_growth(times=list(times), model="Crow-AMSAA", show_plot=False, print_results=False)
    assert ours.shape == pytest.approx(float(theirs.Beta), rel=1e-12)
    assert ours.scale == pytest.approx(float(theirs.Lambda), rel=1e-12)
    assert ours.mtbf == pytest.approx(float(theirs.DMTBF_I), rel=1e-12)


@pytest.mark.parametrize(
    ("times", "end"), [(NIST, 1500.0), (MIL, 300.0), (GROWTH, 700.0)], ids=["handbook", "military", "package"]
)
def test_laplace_and_shape_of_a_time_terminated_observation_are_those_of_the_package(
    times: tuple[float, ...], end: float
) -> None:
    # reliability 0.9.0, ROCOF; it takes no tied times, so the second 16.5 of the military data comes a little later
    apart = np.maximum.accumulate(np.asarray(times) + 1e-9 * np.arange(len(times)))
    between = np.diff(apart, prepend=0.0).tolist()
    theirs = repairable.ROCOF(times_between_failures=between, test_end=end, show_plot=False, print_results=False)
    assert laplace(times, end).statistic == pytest.approx(float(theirs.U), rel=1e-7)
    if theirs.trend != "constant":
        fit = power_law(times, end, unbiased=False)
        assert fit.shape == pytest.approx(float(theirs.Beta_hat), rel=1e-7)
        assert fit.scale == pytest.approx(float(theirs.Lambda_hat), rel=1e-7)


def test_laplace_of_a_failure_terminated_observation_is_that_of_the_package() -> None:
    # reliability 0.9.0, ROCOF without test_end
    between = [later - earlier for earlier, later in pairwise((0.0, *GROWTH))]
    theirs = repairable.ROCOF(times_between_failures=between, show_plot=False, print_results=False)
    assert laplace(GROWTH, 620.0, Censoring.FAILURE).statistic == pytest.approx(float(theirs.U), rel=1e-9)


def drawn(rng: np.random.Generator, shape: float, expected: float, end: float) -> NDArray[np.float64]:
    """Failure times of a power-law process up to `end`: given their number they are end * U^(1/shape) in order (textbook)."""
    return np.sort(end * rng.uniform(size=rng.poisson(expected)) ** (1.0 / shape))


@pytest.mark.parametrize("shape", [0.5, 1.0, 1.8])
def test_limits_of_the_shape_hold_the_truth_as_often_as_they_say(shape: float) -> None:
    rng = np.random.default_rng([SEED, round(10 * shape)])
    print(f"seed {SEED}")
    asked = inside = 0
    while asked < 2000:
        times = drawn(rng, shape, 8.0, 1000.0)
        if len(times) < 4:
            continue
        fit = power_law(times.tolist(), 1000.0, confidence=0.9)
        assert fit.shape_lower is not None
        assert fit.shape_upper is not None
        asked += 1
        inside += fit.shape_lower <= shape <= fit.shape_upper
    assert stats.binomtest(inside, asked, 0.9).pvalue > 1e-3


def test_limits_of_the_shape_where_a_failure_ended_the_observation_hold_too() -> None:
    rng = np.random.default_rng(SEED)
    inside = 0
    for _ in range(2000):
        times = np.cumsum(rng.exponential(size=7)) ** (1.0 / 0.6)  # a power-law process of shape 0.6 up to its seventh failure
        fit = power_law(times.tolist(), float(times[-1]), censoring=Censoring.FAILURE, confidence=0.9)
        assert fit.shape_lower is not None
        assert fit.shape_upper is not None
        inside += fit.shape_lower <= 0.6 <= fit.shape_upper
    assert stats.binomtest(inside, 2000, 0.9).pvalue > 1e-3


def test_limits_of_mtbf_hold_the_truth_at_least_as_often_as_they_say() -> None:
    rng = np.random.default_rng([SEED, 1])
    counts = rng.poisson(6.0, 4000)
    found = [mtbf(600.0, int(count), confidence=0.9) for count in counts]
    inside = sum((one.lower or 0.0) <= 100.0 <= (math.inf if one.upper is None else one.upper) for one in found)
    assert inside / len(found) >= 0.9  # censored in time they are conservative (NIST/SEMATECH e-Handbook 8.4.5.1)


def test_limits_of_mttr_are_those_of_a_mean_of_exponential_times() -> None:
    # scipy: a sum of 5 exponential times of mean m is gamma(5, m)
    found = mttr(20.0, 5, confidence=0.9)
    assert found.lower is not None
    assert found.upper is not None
    assert stats.gamma.sf(20.0, 5, scale=found.lower) == pytest.approx(0.05)
    assert stats.gamma.cdf(20.0, 5, scale=found.upper) == pytest.approx(0.05)
