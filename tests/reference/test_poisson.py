"""Counting statistics that the zero and noise rules rest on, against published tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import chi2

from checks import counts
from checks.physics import Filter, flow_noise_t_h
from config.limits import CountLimit
from tests.checks.runs_of_terminal import samples_by_hand, small_site, window_of

GARWOOD: dict[float, dict[int, tuple[float, float]]] = {
    0.6827: {0: (0.0, 1.8411), 1: (0.1727, 3.2996), 2: (0.7082, 4.6379), 5: (2.8403, 8.3825), 10: (6.8913, 14.2670),
             20: (15.5655, 25.5466), 100: (90.0165, 111.0336)},
    0.90: {0: (0.0, 2.9957), 1: (0.0513, 4.7439), 2: (0.3554, 6.2958), 5: (1.9701, 10.5130), 10: (5.4254, 16.9622),
           20: (13.2547, 29.0620), 100: (84.1393, 118.0793)},
    0.95: {0: (0.0, 3.6889), 1: (0.0253, 5.5716), 2: (0.2422, 7.2247), 5: (1.6235, 11.6683), 10: (4.7954, 18.3904),
           20: (12.2165, 30.8884), 100: (81.3640, 121.6268)},
    0.99: {0: (0.0, 5.2983), 1: (0.0050, 7.4301), 2: (0.1035, 9.2738), 5: (1.0779, 14.1498), 10: (3.7169, 21.3978),
           20: (10.3533, 34.6680), 100: (76.1205, 128.7606)},
}  # fmt: skip


@pytest.mark.parametrize("confidence", GARWOOD)
def test_exact_limits_of_a_poisson_mean(confidence: float) -> None:
    """Garwood limits (1936), computed with scipy; the 95 % column of the statistics handbooks agrees (recalled)."""
    alpha = 1.0 - confidence
    for counted, (low, high) in GARWOOD[confidence].items():
        assert high == pytest.approx(0.5 * chi2.ppf(1.0 - alpha / 2.0, 2 * counted + 2), abs=1.1e-4)
        if counted:
            assert low == pytest.approx(0.5 * chi2.ppf(alpha / 2.0, 2 * counted), abs=1.1e-4)


def test_no_count_at_all_leaves_the_rule_of_three() -> None:
    """One-sided 95 % limit at N = 0 is 2.9957 (published), what a live detector of a low background may hide behind."""
    assert -math.log(0.05) == pytest.approx(2.9957, abs=5e-5)
    assert 0.5 * chi2.ppf(0.95, 2) == pytest.approx(2.9957, abs=5e-5)


def test_12_minutes_of_8640_counts_are_720_with_an_error_of_8() -> None:
    """Nuclear-medicine textbook example (second-hand); the detector check states the error of its mean the same way."""
    rates = np.full(720, 12.0)  # 8640 counts in 720 s
    site = small_site(("flow", "count_rate", "drive_running"), background=1.0, empty_belt_rate=13.0, counts_filtered=False)
    window = window_of(samples_by_hand({"flow": 0.0 * rates, "count_rate": rates, "drive_running": rates / 12.0}), site)
    evidence = next(item for item in counts.check(window)[0].evidence if item.name == "count rate")
    look = max(counts.LOOK_S, -math.log(CountLimit().zero_probability) / 1.0)
    assert evidence.standard_error == pytest.approx(math.sqrt(12.0 / look))
    assert 60.0 * math.sqrt(12.0 / 720.0) == pytest.approx(8.0, abs=0.3)


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
