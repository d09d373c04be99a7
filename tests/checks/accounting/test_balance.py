"""Balances of periods: what was not measured is said, and the band covers the truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from checks.accounting.balance import Known, balance, combined
from checks.accounting.calendar import Period
from checks.accounting.stand_ins import Usual
from checks.blocks import STATES
from tests import FULL
from tests.bench.months import BEGIN, KINDS, ROWS, SHIFT_S, Kind, blocks_of, covered

KNOWN = Known(span=0.003, zero_t_h=0.4, noise_t_h=0.0, noise_s=1.0)
SHIFT = Period(kind="shift", name="one", begin=BEGIN, end=BEGIN + SHIFT_S)
LOAD = np.full(ROWS, 240.0)
SEED = 20261


def test_measured_shift_is_its_own_best_estimate() -> None:
    found = balance(blocks_of(LOAD / 60.0, np.full(ROWS, 60.0), LOAD / 60.0, LOAD), SHIFT, KNOWN)
    assert found.excluded == ()
    assert found.best == pytest.approx(1920.0)
    # By hand: 2 * sqrt((0.003 * 1920)^2 + (0.4 * 8)^2) = 13.1786
    assert found.uncertainty == pytest.approx(13.1786, abs=1e-3)
    assert found.random == 0.0


def test_plc_total_stands_in_where_the_gauge_is_silent() -> None:
    own, measured = LOAD / 60.0, np.full(ROWS, 60.0)
    own[60:120] = measured[60:120] = 0.0
    found = balance(blocks_of(own, measured, LOAD / 60.0 * 1.01, LOAD), SHIFT, KNOWN)
    assert [gap.method for gap in found.excluded] == ["PLC total"]
    assert found.excluded_h == pytest.approx(1.0)
    assert found.best == pytest.approx(1920.0)


def test_mean_load_stands_in_where_both_are_silent() -> None:
    own, measured, plc = LOAD / 60.0, np.full(ROWS, 60.0), LOAD / 60.0
    own[60:120] = measured[60:120] = 0.0
    plc[60:120] = np.nan
    reset = np.zeros(ROWS, np.bool_)
    reset[120] = True
    found = balance(blocks_of(own, measured, plc, LOAD, reset), SHIFT, KNOWN)
    assert found.excluded[0].method == "mean load of the shift"
    assert found.excluded[0].tonnes == pytest.approx(240.0)


def test_total_that_counted_on_while_nobody_read_it_stands_in_for_that_time() -> None:
    # By hand: 7 h at 240 t/h are measured; in the silent hour the belt ran half empty, and the PLC, 1 % high, booked
    # 60 * 2 * 1.01 = 121.2 t of it, which come with the first minute after it. 121.2 / 1.01 = 120.0 t.
    own, measured, plc = LOAD / 60.0, np.full(ROWS, 60.0), LOAD / 60.0 * 1.01
    own[60:120] = measured[60:120] = 0.0
    plc[60:120] = np.nan
    plc[120] += 121.2
    found = balance(blocks_of(own, measured, plc, LOAD), SHIFT, KNOWN)
    (gap,) = found.excluded
    assert (gap.method, gap.hours, gap.begin, gap.end) == ("PLC total", 1.0, BEGIN + 3600, BEGIN + 7200)
    assert gap.tonnes == pytest.approx(120.0, abs=1e-9)
    assert found.best == pytest.approx(1800.0, abs=1e-9)


def test_gap_at_the_begin_of_a_period_takes_nothing_that_was_booked_before_it() -> None:
    own, measured, plc = LOAD / 60.0, np.full(ROWS, 60.0), LOAD / 60.0
    own[420:540] = measured[420:540] = 0.0
    plc[420:540] = np.nan
    plc[540] += 480.0
    blocks = blocks_of(own, measured, plc, LOAD)
    first, second = (
        balance(blocks, Period(kind="shift", name=str(n), begin=BEGIN + n * SHIFT_S, end=BEGIN + (n + 1) * SHIFT_S), KNOWN)
        for n in (0, 1)
    )
    assert [gap.method for found in (first, second) for gap in found.excluded] == ["mean load of the shift"] * 2
    assert first.best == second.best == pytest.approx(1920.0)


def test_void_hours_are_excluded_and_the_copy_of_the_gauge_does_not_stand_in() -> None:
    own = LOAD / 60.0
    own[60:120] = 20.0  # a dead detector: 1200 t/h
    found = balance(blocks_of(own, np.full(ROWS, 60.0), own, LOAD), SHIFT, KNOWN, void=[(BEGIN + 3600, BEGIN + 7200)])
    (gap,) = found.excluded
    assert (gap.method, gap.hours) == ("mean load of the shift", 1.0)
    assert found.best == pytest.approx(1920.0)
    assert found.plc == pytest.approx(7 * 240.0 + 1200.0)


def test_standing_belt_moves_nothing_though_the_gauge_is_not_believed() -> None:
    blocks = blocks_of(LOAD / 60.0, np.full(ROWS, 60.0), LOAD / 60.0, LOAD)
    state = np.zeros_like(blocks.state_s)
    state[:, STATES.index("stopped")] = 60.0
    found = balance(replace(blocks, state_s=state), SHIFT, KNOWN, void=[(BEGIN, BEGIN + SHIFT_S)])
    assert found.excluded == ()


def test_parts_add_up_to_the_whole() -> None:
    own, measured, plc = LOAD / 60.0, np.full(ROWS, 60.0), LOAD / 60.0 * 1.01
    own[60:120] = measured[60:120] = 0.0
    blocks = blocks_of(own, measured, plc, LOAD)
    shifts = [Period(kind="shift", name=str(n), begin=BEGIN + n * SHIFT_S, end=BEGIN + (n + 1) * SHIFT_S) for n in range(3)]
    parts = [balance(blocks, one, KNOWN) for one in shifts]
    found = combined(parts, Period(kind="day", name="day", begin=BEGIN, end=BEGIN + 3 * SHIFT_S), KNOWN)
    assert found.best == pytest.approx(3 * 1920.0)
    assert found.plc == pytest.approx(3 * 1920.0 * 1.01)
    # By hand: 2 * sqrt((0.003 * 5760)^2 + (0.4 * 24)^2) = 39.536
    assert found.uncertainty == pytest.approx(39.536, abs=1e-3)
    assert [gap.begin for gap in found.excluded] == [BEGIN + 3600]


def test_time_with_few_common_rows_takes_the_usual_ratio() -> None:
    own, measured, plc = np.zeros(ROWS), np.zeros(ROWS), LOAD / 60.0 * 0.84
    found = balance(blocks_of(own, measured, plc, LOAD), SHIFT, KNOWN, usual=Usual(ratio=(1.0 / 0.84, 0.0001)))
    assert found.best == pytest.approx(1920.0)
    assert found.complete


def test_silent_shift_has_no_stand_in_and_says_so() -> None:
    nothing = np.zeros(ROWS)
    found = balance(blocks_of(nothing, nothing, np.full(ROWS, np.nan), LOAD), SHIFT, KNOWN)
    assert not found.complete
    assert (found.best, found.plc) == (0.0, None)
    assert found.excluded_h == pytest.approx(8.0)


DRAWN = 60 if FULL else 20
"""Months that are drawn; 60 with TALLYWIRE_FULL=1, 300 in `tests/bench/months.py`."""


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_band_covers_the_truth_as_often_as_it_says(kind: Kind) -> None:
    hits, _, _ = covered(kind, DRAWN, SEED, by_shift=True)
    low, high = (
        float(stats.binom.ppf(at, DRAWN, 0.9545)) for at in (0.0005, 0.9995)
    )  # k = 2 of a normal error: JCGM 100:2008, table G.1
    assert low <= hits <= high, f"seed {SEED}: {hits} of {DRAWN}"


def test_period_that_cuts_a_block_is_refused() -> None:
    cut = Period(kind="shift", name="cut", begin=BEGIN + 30, end=BEGIN + SHIFT_S)
    with pytest.raises(ValueError, match="give shorter blocks"):
        balance(blocks_of(LOAD / 60.0, np.full(ROWS, 60.0), LOAD / 60.0, LOAD), cut, KNOWN)
