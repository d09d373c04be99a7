"""Calibration arithmetic: a worked example by hand, edges, and intervals that hold the truth."""

from __future__ import annotations

import math

import numpy as np
import pytest

from checks.commissioning.calibration_sum import counting_uncertainty, new_factor, past_totals, steady_part, zero_uncertainty
from tests.checks.commissioning.test_durations import FACTS

T0 = 1_800_000_000.0


def ramped(up_s: int = 60, steady_s: int = 3600, down_s: int = 90, flow: float = 300.0) -> tuple[np.ndarray, np.ndarray]:
    """A minute of nothing, a ramp, an hour of load, tailings, a minute of nothing."""
    parts = [np.zeros(60), np.linspace(0.0, flow, up_s), np.full(steady_s, flow), np.linspace(flow, 0.0, down_s), np.zeros(60)]
    values = np.concatenate(parts)
    return T0 + np.arange(float(len(values))), values


def test_worked_example_by_hand() -> None:
    """Three runs, 250.0 t each by the scale. Indicated 245.0, 246.0, 244.5 t: ratios 1.020408, 1.016260, 1.022495, plain mean
    1.019721; weighted by 1/ratio^2, since each is known to 0.2 % of itself, 1.019708. Deviations 0.000687, -0.003461, 0.002774:
    standard deviation of one run 0.003174, of the mean 0.001832, which is more than 0.002 * 1.0197 / sqrt(3) = 0.001177. The
    scale is known to 0.05 %: u = sqrt(0.001832^2 + 0.000510^2) = 0.001902, U = 0.003804. Factor 157.0 becomes 160.094, U 0.597."""
    found = new_factor([250.0] * 3, [245.0, 246.0, 244.5], [0.002] * 3, 157.0, common=0.0005)
    assert found.ratio == pytest.approx(1.019708, abs=2e-6)
    assert found.repeatability == pytest.approx(0.003174, abs=2e-6)
    assert found.ratio_u == pytest.approx(0.003804, abs=3e-6)
    assert found.factor == pytest.approx(160.094, abs=0.001)
    assert found.factor_u == pytest.approx(0.597, abs=0.001)
    assert found.enough
    assert past_totals(10_000.0, found) == pytest.approx((10_197.08, 38.04), abs=0.05)


def test_one_run_is_not_enough_to_change_a_span() -> None:
    """Three runs or more: common practice, no source."""
    found = new_factor([100.0], [98.0], [0.001], 150.0)
    assert not found.enough
    assert found.repeatability is None
    assert found.factor == pytest.approx(153.061, abs=0.001)
    assert found.ratio_u == pytest.approx(2.0 * 0.001 * 100.0 / 98.0)


def test_edges_are_left_out_and_counted() -> None:
    time, flow = ramped()
    run = steady_part(time, flow, 420.0)
    assert run is not None
    assert run.tonnes == pytest.approx(300.0, rel=0.01)
    assert run.begin == pytest.approx(T0 + 120.0, abs=20.0)
    assert run.end == pytest.approx(T0 + 3720.0, abs=20.0)
    whole = float(flow.sum()) / 3600.0
    assert run.tonnes + run.leading_t + run.tailing_t == pytest.approx(whole)
    assert run.edges == pytest.approx((run.leading_t + run.tailing_t) / whole)


def test_window_can_be_moved_by_a_person() -> None:
    time, flow = ramped()
    run = steady_part(time, flow, 420.0, window=(T0 + 600.0, T0 + 1800.0))
    assert run is not None
    assert run.seconds == 1200.0
    assert run.tonnes == pytest.approx(100.0)


def test_gaps_are_told_and_their_tonnes_are_not_made_up() -> None:
    time, flow = ramped()
    flow[1000:1360] = np.nan
    run = steady_part(time, flow, 420.0)
    assert run is not None
    assert run.missing_s == 360.0
    assert run.tonnes == pytest.approx(270.0, rel=0.01)


def test_empty_belt_is_no_run() -> None:
    time, flow = ramped(flow=5.0)
    assert steady_part(time, flow, 420.0) is None


def test_counting_and_tare_leave_what_simulated_counting_leaves() -> None:
    """Poisson pulses of a run of 600 s at 300 t/h and of a tare of 300 s, 4,000 times (seed 8)."""
    rng = np.random.default_rng(8)
    time, flow = ramped(steady_s=600)
    run = steady_part(time, flow, 420.0, window=(T0 + 120.0, T0 + 720.0))
    assert run is not None
    counts = rng.poisson(FACTS.gross(300.0) * 600.0, 4000) / 600.0 - FACTS.background
    zeros = rng.poisson(FACTS.gross(0.0) * 300.0, 4000) / 300.0 - FACTS.background
    of_run = FACTS.t_h_per_attenuation * np.log(FACTS.net_empty / counts) / 300.0
    of_tare = FACTS.t_h_per_attenuation * np.log(zeros / FACTS.net(300.0)) / 300.0
    assert counting_uncertainty(FACTS, run) == pytest.approx(float(of_run.std()), rel=0.04)
    assert zero_uncertainty(FACTS, run, 300.0) == pytest.approx(float(of_tare.std()), rel=0.04)


def test_interval_holds_the_truth_in_ninety_five_of_a_hundred() -> None:
    """5 runs with 0.2 % each and 0.1 % in common, 2,000 draws (seed 9); with the larger of both variances it holds 95 % and more."""
    rng = np.random.default_rng(9)
    held = 0
    for _ in range(2000):
        shared = rng.normal(0.0, 0.001)
        indicated = 100.0 / (1.01 * (1.0 + shared) * (1.0 + rng.normal(0.0, 0.002, 5)))
        found = new_factor([100.0] * 5, indicated.tolist(), [0.002] * 5, 157.0, common=0.001)
        held += abs(found.ratio - 1.01) <= found.ratio_u
    assert 0.94 <= held / 2000 <= 0.985


@pytest.mark.parametrize(
    ("reference", "indicated", "u"), [([], [], []), ([0.0], [1.0], [0.1]), ([1.0], [0.0], [0.1]), ([1.0], [1.0], [0.0])]
)
def test_runs_that_say_nothing_are_refused(reference: list[float], indicated: list[float], u: list[float]) -> None:
    with pytest.raises(ValueError, match="above zero"):
        new_factor(reference, indicated, u, 157.0)


def test_edges_of_nothing_are_unknown() -> None:
    time, flow = ramped()
    run = steady_part(time, flow, 420.0, window=(T0, T0 + 10.0))
    assert run is not None
    assert not math.isnan(run.edges)
