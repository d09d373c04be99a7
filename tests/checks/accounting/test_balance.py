"""Balances of periods: what was not measured is said, and the band covers the truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from checks.accounting.balance import Known, balance
from checks.accounting.calendar import Period
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
    found = balance(blocks_of(own, measured, plc, LOAD), SHIFT, KNOWN)
    assert found.excluded[0].method == "mean load of the shift"
    assert found.excluded[0].tonnes == pytest.approx(240.0)


def test_silent_shift_has_no_stand_in_and_says_so() -> None:
    nothing = np.zeros(ROWS)
    found = balance(blocks_of(nothing, nothing, np.full(ROWS, np.nan), LOAD), SHIFT, KNOWN)
    assert not found.complete
    assert (found.best, found.plc) == (0.0, None)
    assert found.excluded_h == pytest.approx(8.0)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_band_covers_the_truth_as_often_as_it_says(kind: Kind) -> None:
    hits, _, _ = covered(kind, 60, SEED)
    low, high = (
        float(stats.binom.ppf(at, 60, 0.9545)) for at in (0.0005, 0.9995)
    )  # k = 2 of a normal error: JCGM 100:2008, table G.1
    assert low <= hits <= high, f"seed {SEED}: {hits} of 60"


def test_period_that_cuts_a_block_is_refused() -> None:
    cut = Period(kind="shift", name="cut", begin=BEGIN + 30, end=BEGIN + SHIFT_S)
    with pytest.raises(ValueError, match="give shorter blocks"):
        balance(blocks_of(LOAD / 60.0, np.full(ROWS, 60.0), LOAD / 60.0, LOAD), cut, KNOWN)
