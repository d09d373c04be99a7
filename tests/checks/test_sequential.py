"""Every stretch that ends now: silent below the limit, and as fast as a cumulative sum made for the shift."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from checks.sequential import RESIDUALS, SIDES, STRETCHES, YEAR_S, Stretch, beyond, level
from tests.checks.test_fit import correlated
from tests.reference.cusum import level_for, run_length

Floats = NDArray[np.float64]
LIMIT = 5.0


def seen(each: Floats, *, flow: Floats | None = None, late_s: float = 1.0, rho: float = 0.0) -> Stretch | None:
    """In units of the noise of a row; `flow` (n + 1,) is that at the borders of the rows."""
    at = np.full(len(each) + 1, 260.0) if flow is None else flow
    ends = np.stack([at[:-1], at[:-1], at[1:], at[1:]], axis=1)
    return beyond(each, ends, sigma=1.0, rho=rho, late_s=late_s, length_s=10, limit=LIMIT)


def test_level_is_that_of_one_false_alarm_a_year_over_all_stretches() -> None:
    """Gaussian tail: P(Z > 6.13) = 4.4e-10 (any table), 10 s of a year in 22 residuals and 60 stretches = 2.4e-10."""
    tail = 0.5 * math.erfc(level(10) / math.sqrt(2.0))
    assert tail * RESIDUALS * SIDES * STRETCHES * YEAR_S / 10.0 == pytest.approx(1.0, rel=1e-6)
    assert 6.1 < level(10) < 6.3


@pytest.mark.statistical
@pytest.mark.parametrize("share", [0.0, 0.95, 1.0])
def test_what_the_limit_allows_stays_silent(share: float) -> None:
    rng = np.random.default_rng(81)
    each = share * LIMIT + rng.standard_normal(20_000)
    assert not any(seen(each[max(0, end - STRETCHES) : end]) for end in range(1, len(each), 3))


@pytest.mark.statistical
@pytest.mark.parametrize("shift", [1.0, 2.0, 4.0, 12.0])
def test_delay_is_near_that_of_the_sum_made_for_the_shift(shift: float) -> None:
    """Exact delay of the matched one-sided sum at one false alarm a year over all residuals (`tests.reference.cusum`)."""
    rows = RESIDUALS * SIDES * YEAR_S / 10.0
    exact = run_length(shift, shift / 2.0, level_for(shift / 2.0, rows))
    rng = np.random.default_rng(82)
    delays = []
    for _ in range(60):
        each = LIMIT + rng.standard_normal(300)
        each[:100] -= LIMIT
        each[100:] += shift
        delays.append(next(n for n in range(1, 200) if seen(each[: 100 + n][-STRETCHES:]) is not None))
    print(f"seed 82, shift {shift}: {np.mean(delays):.1f} rows, the sum {exact:.1f}")
    assert np.mean(delays) <= 1.25 * exact + 0.5


@pytest.mark.statistical
def test_memory_of_the_noise_is_allowed_for() -> None:
    rng = np.random.default_rng(83)
    each = LIMIT + correlated(rng, 20_000, 0.6)
    assert not any(seen(each[max(0, end - STRETCHES) : end], rho=0.6) for end in range(1, len(each), 3))


def test_flow_that_moves_behind_an_unknown_lag_is_no_shift() -> None:
    """A ramp of 30 t/h a row that comes 2 s later than known: 30 x 2/10 = 6 off in each row."""
    flow = 100.0 + 30.0 * np.arange(13.0)
    assert seen(np.full(12, 6.0), flow=flow, late_s=2.0) is None
    assert seen(np.full(12, 6.0 + LIMIT + 0.1), flow=flow, late_s=2.0) is None
    assert seen(np.full(12, 13.0), flow=flow, late_s=2.0) is not None


def test_single_row_that_is_over_is_no_stretch() -> None:
    each = np.zeros(20)
    each[-1] = 60.0
    assert seen(each) == Stretch(rows=1, mean=60.0, noise=level(10), moved=0.0)
    assert seen(np.concatenate([each, np.zeros(2)])) is None


def test_nothing_is_seen_of_no_rows() -> None:
    assert seen(np.zeros(0)) is None
