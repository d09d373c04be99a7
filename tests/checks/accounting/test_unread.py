"""Totals that counted on while nobody read them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from checks.accounting.unread import LONGEST_S, laid
from checks.blocks import Blocks
from tests.bench.months import BEGIN, blocks_of


def minutes(plc: list[float], reset: int | None = None) -> Blocks:
    """Minutes of which the gauge measures those whose PLC gain is no NaN."""
    total = np.array(plc)
    measured = np.where(np.isnan(total), 0.0, 60.0)
    breaks = np.arange(len(plc)) == (-1 if reset is None else reset)
    made = blocks_of(np.nan_to_num(total), measured, total, np.ones(len(plc)), breaks)
    return replace(made, increment_t=np.column_stack((made.increment_t[:, 1], made.increment_t[:, 1])))


NAN = float("nan")


def test_gain_of_a_gap_is_shared_with_the_rows_before() -> None:
    found = laid(minutes([4.0, NAN, NAN, 12.0, 4.0]))
    assert found.start_s.tolist() == [BEGIN + 60 * row for row in range(5)]
    assert found.increment_t[:, 1].tolist() == [4.0] * 5
    assert found.plc_measured_s.tolist() == [60.0] * 5
    assert found.measured_s.tolist() == [60.0, 0.0, 0.0, 60.0, 60.0]


def test_total_that_began_anew_is_left_as_it_is() -> None:
    found = laid(minutes([4.0, NAN, NAN, 5.0], reset=3))
    assert np.isnan(found.increment_t[1:3, 1]).all()
    assert found.increment_t[3, 1] == 5.0


def test_gap_that_is_too_long_is_left_as_it_is() -> None:
    rows = LONGEST_S // 60
    assert np.isfinite(laid(minutes([4.0, *[NAN] * rows, 900.0])).increment_t).all()
    assert np.isnan(laid(minutes([4.0, *[NAN] * (rows + 1), 900.0])).increment_t[1:-1]).all()


def test_nothing_stays_nothing() -> None:
    none = minutes([1.0])[slice(0, 0)]
    assert len(laid(none)) == 0


@given(st.lists(st.one_of(st.just(NAN), st.floats(0.0, 100.0)), min_size=1, max_size=40))
def test_sum_stays_as_it_is(plc: list[float]) -> None:
    blocks = minutes(plc)
    before = np.nansum(blocks.increment_t, axis=0)
    assert np.nansum(laid(blocks).increment_t, axis=0).tolist() == pytest.approx(before.tolist(), abs=1e-9)
