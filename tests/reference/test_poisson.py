"""Counting statistics that the zero and noise rules rest on, against published tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import chi2

from checks.physics import Filter, flow_noise_t_h
from config.limits import CountLimit


@pytest.mark.parametrize(
    ("counted", "low", "high"),
    [(0, 0.0, 3.6889), (1, 0.0253, 5.5716), (2, 0.2422, 7.2247), (5, 1.6235, 11.6683), (10, 4.7954, 18.3904),
     (20, 12.2165, 30.8884), (100, 81.3640, 121.6268)],
)  # fmt: skip
def test_exact_95_per_cent_limits_of_a_poisson_mean(counted: int, low: float, high: float) -> None:
    """Garwood limits (1936); the 95 % column of the statistics handbooks (computed with scipy, recalled table agrees)."""
    assert high == pytest.approx(0.5 * chi2.ppf(0.975, 2 * counted + 2), abs=6e-5)
    if counted:
        assert low == pytest.approx(0.5 * chi2.ppf(0.025, 2 * counted), abs=6e-5)


@pytest.mark.parametrize(("background", "seconds"), [(60.0, 0.345), (0.5, 41.4), (0.05, 414.5)])
def test_zero_rule_waits_20_7_over_background(background: float, seconds: float) -> None:
    """A live detector shows no count in t seconds with probability exp(-b t); 1e-9 needs b t = 20.72 (computed)."""
    wait = -math.log(CountLimit().zero_probability) / background
    assert wait == pytest.approx(seconds, rel=2e-3)
    assert math.exp(-background * wait) == pytest.approx(1e-9)


@pytest.mark.parametrize(("tau", "sigma"), [(1.0, 22.3607), (5.0, 10.0), (10.0, 7.0711), (30.0, 4.0825)])
def test_rate_meter_fluctuates_like_a_count_over_twice_its_time_constant(tau: float, sigma: float) -> None:
    """r = 1000 1/s: sigma = sqrt(r/(2 tau)) (seen: abstract of "Statistical analysis of the counting rate meter", 1930s).

    `flow_noise_t_h` with load and speed such that 1 t/h is one neper, so that sigma is sigma_n/n on the empty belt.
    """
    noise = flow_noise_t_h(
        0.0, load_per_attenuation=1.0 / 3.6, speed=1.0, net_empty=1000.0, background=0.0, tau_s=tau
    )  # fmt: skip
    assert 1000.0 * noise == pytest.approx(sigma, rel=1e-5)


def test_filtered_counts_of_a_seeded_simulation_scatter_as_the_rate_meter_says() -> None:
    """Simulated Poisson counts, 0.1 s, tau 10 s (seed 20260301)."""
    rng = np.random.default_rng(20260301)
    rates = rng.poisson(100.0, 2_000_000) / 0.1
    filtered = Filter(10.0, 0.1)(rates.astype(np.float64))
    assert float(filtered[5000:].std()) == pytest.approx(7.0711, rel=0.03)


def test_discrete_filter_has_the_variance_of_its_factor() -> None:
    """Variance factor a/(2 - a), a = 1 - exp(-dt/tau): 0.049958 for dt/tau = 0.1 (computed)."""
    a = -math.expm1(-0.1)
    assert a / (2.0 - a) == pytest.approx(0.049958, abs=1e-6)
    pulse = Filter(10.0, 1.0)(np.concatenate([[0.0], [1.0], np.zeros(400)]))
    assert float((pulse**2).sum()) == pytest.approx(0.049958, abs=1e-6)


def test_filter_is_the_first_order_section_of_scipy() -> None:
    values = np.random.default_rng(5).normal(100.0, 5.0, 300)
    a = -math.expm1(-1.0 / 7.0)
    reference, _ = lfilter([a], [1.0, a - 1.0], values, zi=[(1.0 - a) * values[0]])
    np.testing.assert_allclose(Filter(7.0, 1.0)(values), reference, rtol=1e-12)
