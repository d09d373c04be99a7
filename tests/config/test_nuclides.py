"""Half-lives and decay, against published evaluations and an independent decay package."""

from __future__ import annotations

import math

import pytest
import radioactivedecay as rd

from config.nuclides import NUCLIDES, YEAR_D, decay_constant_s, decay_factor, nuclide

# ICRP-107 (package radioactivedecay), NUBASE2020 (mendeleev), ENSDF (paceENSDF), DDEP (two second-hand, the others from
# memory), decay library 2012 (actigamma) [d].
Y = 365.2422
EVALUATIONS: dict[str, tuple[float, ...]] = {
    "Cs-137": (30.1671 * Y, 30.04 * Y, 30.08 * Y, 30.05 * Y, 30.018 * Y, 10972.11),
    "Co-60": (5.2713 * Y, 5.2714 * Y, 1925.28, 5.2711 * Y, 1925.20),
    "Am-241": (432.2 * Y, 432.6 * Y, 432.6 * Y, 432.6 * Y, 158079.9),
    "Cm-244": (18.10 * Y, 18.11 * Y, 18.11 * Y, 18.11 * Y, 6574.50),
    "Kr-85": (10.756 * Y, 10.728 * Y, 10.739 * Y, 10.752 * Y, 3927.08),
    "Sr-90": (28.79 * Y, 28.91 * Y, 28.91 * Y, 28.80 * Y, 10515.32),
    "Se-75": (119.779, 119.78, 119.78, 119.781, 119.640),
    "Ir-192": (73.827, 73.820, 73.829, 73.827, 73.822),
}


def test_year_is_the_one_constant() -> None:
    assert YEAR_D == 365.2422


@pytest.mark.parametrize("name", NUCLIDES)
def test_half_life_lies_among_the_evaluations(name: str) -> None:
    low, high = min(EVALUATIONS[name]), max(EVALUATIONS[name])
    assert low * 0.999 <= NUCLIDES[name].half_life_d <= high * 1.001


@pytest.mark.parametrize("name", NUCLIDES)
def test_relative_uncertainty_covers_the_spread_of_the_evaluations(name: str) -> None:
    chosen = NUCLIDES[name]
    spread = (max(EVALUATIONS[name]) - min(EVALUATIONS[name])) / chosen.half_life_d
    assert spread <= chosen.relative_uncertainty * 1.05
    assert chosen.relative_uncertainty <= spread * 1.7


@pytest.mark.parametrize("name", NUCLIDES)
def test_half_life_agrees_with_the_decay_package_within_the_spread(name: str) -> None:
    package_d = rd.Nuclide(name).half_life("d")
    chosen = NUCLIDES[name]
    assert chosen.half_life_d == pytest.approx(package_d, rel=max(chosen.relative_uncertainty, 1e-4))


@pytest.mark.parametrize("name", ["Cs-137", "Co-60", "Am-241"])
@pytest.mark.parametrize("days", [1, 30, 365, 1826, 3652])
def test_decay_factor_agrees_with_the_decay_package(name: str, days: int) -> None:
    left = rd.Inventory({name: 1000.0}, "Bq").decay(float(days), "d").activities("Bq")[name] / 1000.0
    # d ln(factor) = ln(factor) * spread of the half-life
    allowed = abs(math.log(left)) * max(NUCLIDES[name].relative_uncertainty, 1e-4) + 1e-9
    assert decay_factor(name, days * 86400.0) == pytest.approx(left, rel=allowed)


# 1000 Bq after 1 / 30 / 365 / 1826 / 3652 d by radioactivedecay 0.6.1 with ICRP-107 half-lives, which are put in here.
ICRP_107_Y = {"Cs-137": 30.1671, "Co-60": 5.2713, "Am-241": 432.2}
LEFT = {
    "Cs-137": (999.9371, 998.1145, 977.2999, 891.4808, 794.7381),
    "Co-60": (999.6400, 989.2575, 876.8605, 518.1986, 268.5298),
    "Am-241": (999.9956, 999.8683, 998.3986, 992.0142, 984.0921),
}


@pytest.mark.parametrize("name", LEFT)
def test_decay_law_gives_the_printed_activities_with_the_printed_half_life(name: str) -> None:
    ratio = NUCLIDES[name].half_life_d / (ICRP_107_Y[name] * YEAR_D)
    for days, left in zip((1, 30, 365, 1826, 3652), LEFT[name], strict=True):
        assert 1000.0 * decay_factor(name, days * 86400.0 * ratio) == pytest.approx(left, abs=6e-5)


# Decay constants [1/d] from the ICRP-107 half-lives, year 365.2422 d, computed outside.
CONSTANTS_D = {
    "Cs-137": 6.290873e-05, "Co-60": 3.600201e-04, "Am-241": 4.390963e-06, "Cm-244": 1.048494e-04,
    "Kr-85": 1.764386e-04, "Sr-90": 6.591782e-05, "Se-75": 5.786884e-03, "Ir-192": 9.388803e-03,
}  # fmt: skip


@pytest.mark.parametrize("name", NUCLIDES)
def test_decay_constant_agrees_with_the_published_table(name: str) -> None:
    rel = max(NUCLIDES[name].relative_uncertainty, 1.5e-4)
    assert decay_constant_s(name) * 86400.0 == pytest.approx(CONSTANTS_D[name], rel=rel)


def test_factor_is_one_at_the_start_and_half_after_a_half_life() -> None:
    for name, chosen in NUCLIDES.items():
        assert decay_factor(name, 0.0) == 1.0
        assert decay_factor(name, chosen.half_life_s) == pytest.approx(0.5, rel=1e-12)
        assert decay_factor(name, -chosen.half_life_s) == pytest.approx(2.0, rel=1e-12)


def test_unknown_nuclide_lists_the_known_ones_and_the_nearest() -> None:
    with pytest.raises(ValueError, match=r"did you mean Cs-137\?\); use one of: Cs-137, Co-60"):
        nuclide("cs137")
    with pytest.raises(ValueError, match="no known nuclide; use one of"):
        decay_factor("Xx-1", 1.0)
