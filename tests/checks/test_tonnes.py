"""Tonnes mis-stated: the fitted error over the flow, not the raw difference."""

from __future__ import annotations

import numpy as np
import pytest

from checks.hypotheses import Measured
from checks.tonnes import of_flows, of_line, of_rows, since
from tests.checks.simulation import START, Chain

HOUR = 3600


def test_five_per_cent_short_over_half_an_hour_at_260_is_6_2_tonnes() -> None:
    """(400/420 - 1) x 260 t/h x 0.5 h = -6.19 t."""
    window = Chain(load=np.full(HOUR, 260.0)).window()
    measured = Measured(offset=0.0, gain=400 / 420 - 1, covariance=np.diag([0.01, 1e-8]))
    found = of_line(window.blocks, measured, START + 1800, (START + 1790, START + 1800))
    assert found.tonnes == pytest.approx(-6.19, abs=0.05)
    assert found.rate_t_h == pytest.approx(-12.38, abs=0.1)
    assert 0.0 < found.uncertainty < 0.5


def test_offset_counts_the_hours_and_not_the_tonnes() -> None:
    window = Chain(load=np.zeros(HOUR)).window()
    measured = Measured(offset=2.1, gain=0.0, covariance=np.diag([0.01, 1e-8]))
    assert of_line(window.blocks, measured, START, (START, START)).tonnes == pytest.approx(2.1, abs=0.05)


def test_standing_belt_books_no_error() -> None:
    window = Chain(load=np.zeros(HOUR), override={"drive_running": lambda bits: bits * 0.0}).window()
    measured = Measured(offset=2.1, gain=0.0, covariance=np.diag([0.01, 1e-8]))
    assert of_line(window.blocks, measured, START, (START, START)).tonnes == 0.0


def test_uncertain_begin_widens_the_tonnes() -> None:
    window = Chain(load=np.full(HOUR, 260.0)).window()
    measured = Measured(offset=0.0, gain=-0.05, covariance=np.diag([0.01, 1e-8]))
    sharp = of_line(window.blocks, measured, START + 1800, (START + 1795, START + 1800))
    blurred = of_line(window.blocks, measured, START + 1800, (START + 600, START + 1800))
    assert blurred.uncertainty > 3.0 * sharp.uncertainty


def test_flows_are_integrated_where_no_line_holds() -> None:
    chain = Chain(load=np.full(HOUR, 260.0), plc_of=lambda flow: flow * 0.0 + 250.0, fault_from=1800)
    found = of_flows(chain.window().blocks, START + 1800)
    assert found is not None
    assert found.tonnes == pytest.approx(-5.0, abs=0.3)
    assert of_flows(chain.window().blocks, START + 2 * HOUR) is None


def test_since_keeps_the_blocks_from_a_moment_on() -> None:
    blocks = Chain(load=np.full(600, 100.0)).window().blocks
    assert len(since(blocks, START + 300)) == 30
    assert len(since(blocks, START - 1)) == 60


def test_standing_belt_books_what_the_plc_goes_on_to_show() -> None:
    """The gauge shows no flow there, the PLC 2.1 t/h, and its total counts on."""
    chain = Chain(load=np.zeros(HOUR), override={"drive_running": lambda bits: bits * 0.0}, plc_of=lambda flow: flow + 2.1)
    measured = Measured(offset=2.1, gain=0.0, covariance=np.diag([0.01, 1e-8]))
    assert of_line(chain.window().blocks, measured, START, (START, START)).tonnes == pytest.approx(
        2.1, abs=0.1
    )  # noise below 3.8 mA is cut


def test_gated_total_books_no_error_on_a_standing_belt() -> None:
    chain = Chain(
        load=np.zeros(HOUR), plc_of=lambda flow: flow + 2.1,
        override={"drive_running": lambda bits: bits * 0.0, "plc_total": lambda total: total * 0.0 + 500.0},
    )  # fmt: skip
    measured = Measured(offset=2.1, gain=0.0, covariance=np.diag([0.01, 1e-8]))
    assert of_line(chain.window().blocks, measured, START, (START, START)).tonnes == 0.0


def test_line_is_cut_where_the_output_ends_at_3_8_ma() -> None:
    """Range from 40 t/h: on the empty belt the line says -40 x 420/380 = -44.2 t/h, the current cannot go below -5.25 t/h."""
    load = np.where(np.arange(HOUR) % 600 < 300, 0.0, 260.0)
    window = Chain(load=load, gauge_range=(40.0, 420.0), lag_s=0).window()
    measured = Measured(offset=-40.0 * 420.0 / 380.0, gain=420.0 / 380.0 - 1.0, covariance=np.diag([1e-4, 1e-8]))
    found = of_line(window.blocks, measured, START, (START, START))
    true = float(np.nansum(window.blocks.plc_own_t - window.blocks.own_t))
    assert found.tonnes == pytest.approx(true, abs=0.3)
    assert found.tonnes > -13.0
    uncut = measured.offset + measured.gain * float(np.nansum(window.blocks.own_t))
    assert uncut < -25.0


def test_begin_that_may_lie_in_a_stop_is_as_uncertain_as_the_tonnes_of_the_stop() -> None:
    chain = Chain(
        load=np.zeros(HOUR), plc_of=lambda flow: flow - 20.0,
        override={"drive_running": lambda bits: np.where((np.arange(HOUR) > 600) & (np.arange(HOUR) < 1200), 0.0, bits)},
    )  # fmt: skip
    measured = Measured(offset=-20.0, gain=0.0, covariance=np.diag([1e-4, 1e-8]))
    found = of_line(chain.window().blocks, measured, START + 1200, (START + 600, START + 1210))
    assert found.uncertainty == pytest.approx(20.0 * 600.0 / 3600.0, rel=0.05)


def test_tonnes_known_row_by_row_split_with_their_share_of_the_uncertainty() -> None:
    window = Chain(load=np.full(HOUR, 260.0)).window()
    each = np.full(len(window.blocks), 0.5)
    part = of_rows(window.blocks.start_s, each, 36.0)
    assert part(window.blocks) == (180.0, 36.0)
    assert part(window.blocks[:90]) == (45.0, 9.0)
    assert of_rows(window.blocks.start_s, 0.0 * each, 36.0)(window.blocks) == (0.0, 0.0)
