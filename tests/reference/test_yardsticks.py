"""Limits of this program that are taken from the rules of legal metrology and of alarm management, against those rules.

A radiometric weigher is normally outside these rules (NIST Handbook 44, 2009 edition, 2.21 A.1: seen); they are yardsticks.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from checks.physics import attenuation, empty_rate
from config.defaults import DEFAULTS
from config.limits import AlertLimit, CurrentLimit, SpanLimit, TemperatureLimit, TotalLimit
from config.nuclides import decay_constant_s


def test_totals_are_doubted_at_the_tolerance_of_a_material_test() -> None:
    assert TotalLimit().suspect == 0.25  # NIST Handbook 44, 2.21 T.1, +- 0.25 % (from memory)


def test_totals_differ_at_the_verification_limit_of_class_1() -> None:
    assert TotalLimit().fault == 0.5  # OIML R 50-1:2014, class 1, initial (from memory)


def test_least_tonnes_are_the_digits_that_the_least_load_of_class_2_asks_for() -> None:
    assert TotalLimit().least_tonnes == pytest.approx(200 * 0.1)  # R 50-1:2014, class 2: 200 d (from memory)


def test_link_limits_lie_in_the_acceptance_of_a_loop_check() -> None:
    """0.25 to 1 % of span, 0.5 % common (trade practice, from memory): 0.04, 0.08 and 0.16 mA (computed)."""
    limit = SpanLimit()
    assert 0.25 <= limit.suspect <= limit.fault <= 1.0
    assert 16.0 * limit.fault / 100.0 == pytest.approx(0.08)
    assert 16.0 * limit.suspect / 100.0 == pytest.approx(0.04)


def test_levels_of_the_current_stand_for_4_s() -> None:
    assert CurrentLimit().confirm == 4.0  # quoted beside NE 43 on a forum page (second-hand, weak)


def test_cold_limit_is_the_lower_end_of_the_temperature_test() -> None:
    assert TemperatureLimit().suspect_low == -10.0  # NIST Handbook 44, 2.21 T.3.1.1, -10 to 40 degC (from memory)


def test_alerts_wait_at_least_as_long_as_the_starting_values_for_flow_and_cannot_chatter() -> None:
    """15 s on and off for flow (ISA-18.2, from memory); chattering is three or more a minute (from memory)."""
    alerts = AlertLimit()
    assert alerts.on_delay >= 15.0
    assert alerts.off_delay >= 15.0
    assert 60.0 / (alerts.on_delay + alerts.off_delay) < 3.0


@pytest.mark.parametrize(
    ("coefficient", "days", "bias"), [(0.0775, 365.0 / 12.0, 0.0247), (0.0775, 365.0, 0.296), (0.0857, 365.0, 0.268)]
)
def test_decay_that_nobody_compensates_looks_like_load(coefficient: float, days: float, bias: float) -> None:
    """Change of rho x = lambda t / mu [g/cm2] for mineral and for water at 662 keV (computed, half-life 30.1671 y)."""
    rate = empty_rate(1000.0, 0.0, decay_constant_s("Cs-137"), days * 86400.0)
    found = float(attenuation(np.array([rate]), 1000.0, 0.0)[0]) / coefficient
    assert found == pytest.approx(bias, rel=7e-3)
    assert found > 0.0


@pytest.mark.parametrize(("years", "per_cent"), [(1.0, 0.0090), (5.0, 0.0448), (10.0, 0.0896), (20.0, 0.179)])
def test_choice_between_two_evaluations_of_cs_137_stays_below_every_limit(years: float, per_cent: float) -> None:
    """30.1671 y for 30.05 y (computed): 0.1 t/h a year on a belt of 1052 t/h per neper, far below 1 % of 420 t/h."""
    apart = math.log(2.0) * years * (1.0 / 30.05 - 1.0 / 30.1671)
    assert 100.0 * math.expm1(apart) == pytest.approx(per_cent, rel=6e-3)
    assert 1052.0 * apart / 420.0 < DEFAULTS["limits.counts_to_flow.fault"].value / 100.0


def test_year_of_365_days_would_be_0_09_per_cent_off_after_ten_years() -> None:
    """Co-60 after 3653 d: 0.268199, 0.268433, 0.268441 for years of 365, 365.2422 and 365.25 d (computed)."""
    for year, left in ((365.0, 0.268199), (365.2422, 0.268433), (365.25, 0.268441)):
        assert 0.5 ** (3653.0 / (5.2713 * year)) == pytest.approx(left, abs=2e-6)
    own = empty_rate(1.0, 0.0, decay_constant_s("Co-60"), 3653.0 * 86400.0)
    assert own == pytest.approx(0.268433, rel=2e-4)
    assert abs(own - 0.268199) > 2e-4
