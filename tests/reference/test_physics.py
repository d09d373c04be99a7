"""Dead time, decay and the flow of the reference conveyor, against values worked out apart from the code."""

from __future__ import annotations

import math

import numpy as np
import pytest
import radioactivedecay as rd

from checks.physics import attenuation, empty_rate, flow_noise_t_h, flow_t_h, true_rate
from config.nuclides import decay_constant_s

YEAR_S = 365.2422 * 86400.0
SPEED, FACTOR = 1.9, 1.0 / 0.0065
"""Invented conveyor: 1.9 m/s, 1 m wide, 0.0065 m2/kg, 5200 1/s gross on the empty belt, 60 1/s background."""


@pytest.mark.parametrize(
    ("observed", "dead", "true"),
    [(10_000, 5e-6, 10526.3), (20_000, 10e-6, 25000.0), (50_000, 2e-6, 55555.6), (1000, 100e-6, 1111.1)],
)
def test_non_paralysable_dead_time(observed: float, dead: float, true: float) -> None:
    """n = m/(1 - m t) (seen: instrument handbook of a space telescope; values computed)."""
    assert true_rate(float(observed), dead) == pytest.approx(true, abs=0.06)


def test_dead_time_beyond_saturation_is_infinite_and_arrays_agree_with_floats() -> None:
    assert true_rate(250_000.0, 5e-6) == math.inf
    np.testing.assert_array_equal(true_rate(np.array([1e4, 2.5e5]), 5e-6), [true_rate(1e4, 5e-6), math.inf])


@pytest.mark.parametrize("nuclide", ["Cs-137", "Co-60", "Am-241"])
@pytest.mark.parametrize("years", [1.0, 5.0, 20.0])
def test_decay_agrees_with_the_reference_package(nuclide: str, years: float) -> None:
    """package: radioactivedecay 0.6 (ICRP-107, Cs-137 30.167 y; published values lie between 30.0 and 30.2 y, ours is 30.05)."""
    left = rd.Inventory({nuclide: 1.0}, "Bq").decay(years * YEAR_S, "s").activities()[nuclide]
    own = empty_rate(1.0, 0.0, decay_constant_s(nuclide), years * YEAR_S)
    assert math.log(own) == pytest.approx(math.log(left), rel=5e-3)


@pytest.mark.parametrize(
    ("half_life_d", "days", "left"),
    [(30.1671 * 365.2422, 365, 977.2999), (30.1671 * 365.2422, 3652, 794.7381), (5.2713 * 365.2422, 365, 876.8605),
     (5.2713 * 365.2422, 3652, 268.5298), (432.2 * 365.2422, 3652, 984.0921)],
)  # fmt: skip
def test_1000_1_s_after_days_as_the_reference_package_prints_it(half_life_d: float, days: int, left: float) -> None:
    """package: radioactivedecay 0.6.1, 1000 Bq of Cs-137, Co-60 and Am-241 (half-lives ICRP-107, year 365.2422 d)."""
    assert empty_rate(1000.0, 0.0, math.log(2.0) / (half_life_d * 86400.0), days * 86400.0) == pytest.approx(left, rel=2e-7)


@pytest.mark.parametrize(
    ("coefficient", "g_cm2", "transmitted"),
    [(0.0857, 1, 0.91787), (0.0857, 5, 0.65149), (0.0857, 10, 0.42443), (0.0857, 20, 0.18014),
     (0.0775, 1, 0.92543), (0.0775, 5, 0.67875), (0.0775, 10, 0.46070), (0.0775, 20, 0.21225)],
)  # fmt: skip
def test_transmission_through_water_and_mineral_at_662_kev(coefficient: float, g_cm2: int, transmitted: float) -> None:
    """exp(-mu x), mu/rho [cm2/g] of water and of limestone (package xraylib 4.3.0, rounded; transmission computed)."""
    found = attenuation(np.array([60.0 + 5140.0 * transmitted]), 5200.0, 60.0)
    assert float(found[0]) == pytest.approx(coefficient * g_cm2, abs=3e-5)


def test_100_kg_m_at_2_m_s_is_720_t_h() -> None:
    """t/h = 3.6 kg/m m/s (exact)."""
    assert float(flow_t_h(np.array([1.0]), 100.0, 2.0)[0]) == pytest.approx(720.0, rel=1e-15)


@pytest.mark.parametrize(("years", "error"), [(1.0, -0.29), (5.0, -1.5), (10.0, -3.2), (20.0, -7.2)])
def test_background_does_not_decay(years: float, error: float) -> None:
    """What the empty belt would read if the gross rate were decayed as a whole [t/h], B = 60 1/s (computed)."""
    rate = decay_constant_s("Cs-137")
    right = empty_rate(5200.0, 60.0, rate, years * YEAR_S)
    wrong = 5200.0 * math.exp(-rate * years * YEAR_S)
    shown = flow_t_h(attenuation(np.array([right]), wrong, 60.0), FACTOR, SPEED)
    assert float(shown[0]) == pytest.approx(error, rel=0.06)


@pytest.mark.parametrize(("counts", "flow"), [(5200.0, 0.0), (4734.0, 100.0), (4075.0, 260.0), (3509.0, 420.0)])
def test_counts_of_the_reference_conveyor(counts: float, flow: float) -> None:
    """C = B + N0 exp(-F/1052) (computed); counts are rounded to whole numbers, 0.3 t/h each."""
    found = flow_t_h(attenuation(np.array([counts]), 5200.0, 60.0), FACTOR, SPEED)
    assert float(found[0]) == pytest.approx(flow, abs=0.35)


@pytest.mark.parametrize(("flow", "sigma"), [(0.0, 3.3), (100.0, 3.5), (260.0, 3.7), (420.0, 4.0)])
def test_noise_of_the_reference_conveyor_behind_10_s(flow: float, sigma: float) -> None:
    """sigma_F = Kv sqrt(C)/N/sqrt(2 tau) (computed)."""
    found = flow_noise_t_h(flow, load_per_attenuation=FACTOR, speed=SPEED, net_empty=5140.0, background=60.0, tau_s=10.0)
    assert found == pytest.approx(sigma, abs=0.06)


def test_one_per_cent_of_the_net_counts_is_10_5_t_h_at_every_load() -> None:
    """dF = -Kv dN/N (computed)."""
    for net in (5140.0, 4015.0, 3449.0):
        rates = np.array([net, net * 0.99]) + 60.0
        low, high = flow_t_h(attenuation(rates, 5200.0, 60.0), FACTOR, SPEED)
        assert high - low == pytest.approx(10.5, abs=0.1)


def test_no_beam_gives_no_number() -> None:
    assert np.isnan(attenuation(np.array([60.0, 0.0, np.nan]), 5200.0, 60.0)).all()
