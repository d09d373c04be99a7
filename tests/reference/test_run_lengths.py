"""Run lengths of cumulative sums against published tables, and against a Markov chain and a simulation of this test's own.

Published: Technometrics 24 (1982) 199-205, Table 1, Biometrika 59 (1972) 539-548 and J. Quality Technology 18 (1986) 189-193,
as printed in the manual of the package spc (seen). Textbook column for h = 5: "Introduction to Statistical Quality Control"
(from memory). Zero state, normal, known mean and sigma; the alarming sample counts.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import ndtr

from tests.reference.cusum import level_for, run_length, sums

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
H4 = (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71)
H4_COMPUTED = (167.684, 74.224, 26.630, 13.285, 8.383, 4.747, 3.343, 2.620, 2.194, 1.708)
H4_HEAD_START = (149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.32, 1.07)
H5 = (465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01)
H5_COMPUTED = (465.444, 139.494, 37.996, 17.048, 10.376, 5.747, 4.009, 3.114, 2.573, 2.013)


def two_sided(shift: float, allowance: float, level: float) -> float:
    """1/ARL = 1/ARL+ + 1/ARL- (second-hand: manual of a statistics package)."""
    return 1.0 / (1.0 / run_length(shift, allowance, level) + 1.0 / run_length(-shift, allowance, level))


@pytest.mark.parametrize(("shift", "published", "computed"), list(zip(SHIFTS, H4, H4_COMPUTED, strict=True)))
def test_two_sided_chart_with_h_4(shift: float, published: float, computed: float) -> None:
    assert two_sided(shift, 0.5, 4.0) == pytest.approx(published, rel=5e-3)
    assert two_sided(shift, 0.5, 4.0) == pytest.approx(computed, abs=6e-4)


@pytest.mark.parametrize(("shift", "textbook", "computed"), list(zip(SHIFTS, H5, H5_COMPUTED, strict=True)))
def test_two_sided_chart_with_h_5(shift: float, textbook: float, computed: float) -> None:
    assert two_sided(shift, 0.5, 5.0) == pytest.approx(textbook, rel=5e-3)
    assert two_sided(shift, 0.5, 5.0) == pytest.approx(computed, abs=6e-4)


@pytest.mark.parametrize(("shift", "published"), list(zip(SHIFTS, H4_HEAD_START, strict=True))[4:])
def test_head_start_of_half_the_level_is_ahead(shift: float, published: float) -> None:
    """One-sided from 1 sigma on, where the other side has no part any more."""
    assert run_length(shift, 0.5, 4.0, start=2.0) == pytest.approx(published, rel=6e-3)


@pytest.mark.parametrize(
    ("allowance", "level", "shift", "published"),
    [(0.5, 3.0, 0.0, 117.59), (0.5, 3.0, 1.5, 3.75), (0.0, 10.0, -0.25, 2071.51), (0.0, 10.0, 0.0, 124.66),
     (0.0, 10.0, 0.25, 36.71), (0.0, 10.0, 0.5, 20.37), (0.0, 10.0, 1.0, 10.75)],
)  # fmt: skip
def test_one_sided_anchors(allowance: float, level: float, shift: float, published: float) -> None:
    assert run_length(shift, allowance, level) == pytest.approx(published, rel=1.5e-3)


@pytest.mark.parametrize(
    ("allowance", "level", "computed"),
    [(0.25, 8.01, 370.3), (0.5, 4.77, 368.6), (0.75, 3.34, 370.6), (1.0, 2.52, 372.8), (1.25, 1.99, 373.5), (1.5, 1.61, 376.3)],
)
def test_levels_for_370_samples(allowance: float, level: float, computed: float) -> None:
    """Levels second-hand, run lengths computed; two-sided 370 is one-sided 740."""
    assert two_sided(0.0, allowance, level) == pytest.approx(computed, abs=0.06)
    assert level_for(allowance, 2.0 * computed) == pytest.approx(level, abs=1e-3)


def test_370_for_h_4_as_a_public_repository_prints_it_is_wrong() -> None:
    """A repository gives ARL0 = 370.4 for k = 0.5, h = 4 "from the handbook"; the published value is 168."""
    assert two_sided(0.0, 0.5, 4.0) < 170.0


@pytest.mark.parametrize(
    ("level", "shift", "computed"), [(5.0, 0.0, 469.1), (5.0, 1.0, 10.336), (4.0, 0.0, 169.0), (4.0, 1.0, 8.343)]
)
def test_closed_approximation_is_as_far_off_as_it_is_known_to_be(level: float, shift: float, computed: float) -> None:
    """(exp(-2 D b) + 2 D b - 1)/(2 D^2), b = h + 1.166, D = shift - k (computed): 0.8 % high at 0, 0.5 % low at 1 sigma."""

    def closed(drift: float) -> float:
        b = level + 1.166
        return (math.exp(-2.0 * drift * b) + 2.0 * drift * b - 1.0) / (2.0 * drift * drift)

    both = 1.0 / (1.0 / closed(shift - 0.5) + 1.0 / closed(-shift - 0.5))
    assert both == pytest.approx(computed, rel=2e-3)
    assert both == pytest.approx(two_sided(shift, 0.5, level), rel=1e-2)


@pytest.mark.parametrize("shift", [0.0, 1.0, 2.0])
def test_markov_chain_of_this_test_agrees_with_the_integral_equation(shift: float) -> None:
    """Brook and Evans' chain with 400 states, its error shrinking with the square of the width (from memory)."""

    def chained(states: int) -> float:
        allowance, level = 0.5, 4.0
        width = 2.0 * level / (2 * states - 1)
        centre = width * np.arange(states)
        edge = centre[None, :] + 0.5 * width + allowance - centre[:, None] - shift
        cumulative = ndtr(edge)
        move = np.diff(cumulative, axis=1, prepend=0.0)
        return float(np.linalg.solve(np.eye(states) - move, np.ones(states))[0])

    coarse, fine = chained(200), chained(400)
    assert fine + (fine - coarse) / 3.0 == pytest.approx(run_length(shift, 0.5, 4.0), rel=1e-4)


def test_ten_digits_do_not_hang_on_the_number_of_nodes(monkeypatch: pytest.MonkeyPatch) -> None:
    first = run_length(0.0, 0.5, 5.0)
    monkeypatch.setattr("tests.reference.cusum.LEAST_NODES", 150)
    assert run_length(0.0, 0.5, 5.0) == pytest.approx(first, rel=1e-10)


@pytest.mark.statistical
@pytest.mark.parametrize(("shift", "published"), [(0.0, 2 * 167.68), (0.5, 26.6), (1.0, 8.38), (2.0, 3.34)])
def test_simulated_sum_runs_as_long_as_the_table_says(shift: float, published: float) -> None:
    rng = np.random.default_rng(620)
    draws = 4000
    alive, level, length = np.ones(draws, np.bool_), np.zeros(draws), np.zeros(draws)
    while alive.any():
        level = np.maximum(0.0, level + rng.standard_normal(draws) + shift - 0.5)
        length += alive
        alive &= level < 4.0
    mean, error = float(length.mean()), float(length.std() / math.sqrt(draws))
    print(f"seed 620, shift {shift}: {mean:.3f} +- {error:.3f}, published {published}")
    assert abs(mean - published) < 3.0 * error + 0.005 * published


def test_worked_chart_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k = 0.3175, h = 4.1959 (data from memory, sums computed)."""
    groups = np.array(
        [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150, 328.325,
         327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]
    )  # fmt: skip
    upper, lower = sums(groups - 325.0, 0.3175), sums(325.0 - groups, 0.3175)
    assert upper[12:] == pytest.approx([3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035], abs=1e-9)
    assert np.flatnonzero(upper >= 4.1959)[0] + 1 == 14
    assert lower[:12].max() == pytest.approx(0.715, abs=1e-9)
    assert float((groups - 325.0).sum()) == pytest.approx(19.075, abs=1e-9)


@pytest.mark.parametrize(("shift", "gap"), [(0.5, 24.6), (1.0, 3.33), (2.0, 0.04)])
def test_exact_delay_lies_a_constant_below_the_asymptotic_bound(shift: float, gap: float) -> None:
    """ln(gamma)/I with I = shift^2/2 ("Procedures for reacting to a change in distribution", Ann. Math. Statist. 42, 1971,
    formula from memory): only the ratio tends to 1, so the leading term is no floor of any delay (computed)."""
    for rows in (1e5, 1e7):
        exact = run_length(shift, shift / 2.0, level_for(shift / 2.0, rows))
        assert math.log(rows) / (shift**2 / 2.0) - exact == pytest.approx(gap, abs=0.15)


def test_memory_in_the_residuals_shortens_the_patience() -> None:
    """Designed for 465 (h = 5), AR(1) residuals run 247, 100 and 40 for phi 0.1, 0.3 and 0.6 (computed); whitened ones 465."""
    rng = np.random.default_rng(11)
    for phi, expected in ((0.0, 465.0), (0.1, 247.0), (0.3, 100.0), (0.6, 40.0)):
        draws = 600
        noise, up, down = rng.standard_normal(draws), np.zeros(draws), np.zeros(draws)
        alive, length = np.ones(draws, np.bool_), np.zeros(draws)
        while alive.any():
            noise = phi * noise + math.sqrt(1.0 - phi * phi) * rng.standard_normal(draws)
            up, down = np.maximum(0.0, up + noise - 0.5), np.maximum(0.0, down - noise - 0.5)
            length += alive
            alive &= (up < 5.0) & (down < 5.0)
        print(f"seed 11, phi {phi}: {length.mean():.0f} of {expected:.0f}")
        assert length.mean() == pytest.approx(expected, rel=0.13)


@pytest.mark.parametrize("allowance", [0.25, 1.0, 3.0, 9.0])
def test_level_gives_the_run_length_it_was_made_for(allowance: float) -> None:
    for rows in (465.0, 7e7):
        level = level_for(allowance, rows)
        assert run_length(0.0, allowance, level) == pytest.approx(rows, rel=1e-5) or (
            level == 0.0 and run_length(0.0, allowance, 0.0) > rows
        )


def test_missing_rows_leave_the_sum_as_it_is() -> None:
    z = np.array([1.0, np.nan, 1.0, -5.0, 2.0])
    assert sums(z, 0.5) == pytest.approx([0.5, 0.5, 1.0, 0.0, 1.5])
