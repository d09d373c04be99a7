"""Drift: a date only where the slope is significant."""

from __future__ import annotations

import numpy as np
import pytest

from checks.accounting.drift import drift, unit_chain

DAY = 86400.0
TIMES = np.arange(60, dtype=np.float64) * DAY


def test_creeping_zero_reaches_its_limit_on_the_day_of_the_line() -> None:
    noise = np.random.default_rng(3).standard_normal(60) * 0.01
    found = drift("zero", "t/h", TIMES, 0.01 * np.arange(60) + noise, 1.0)
    assert found is not None
    assert found.reaches is not None
    assert found.earliest is not None
    assert found.latest is not None
    assert found.reaches == pytest.approx(100 * DAY, abs=2 * DAY)
    assert found.earliest < found.reaches < found.latest


def test_noise_gives_no_date() -> None:
    found = drift("span", "%", TIMES, np.tile([0.1, -0.1, -0.1, 0.1], 15), 1.0)
    assert found is not None
    assert (found.reaches, found.reason) == (None, "no date: the slope is not significant")


def test_beyond_its_limit_gives_no_date() -> None:
    found = drift("zero", "t/h", TIMES, 0.1 * np.arange(60), 1.0)
    assert found is not None
    assert found.reason == "no date: it is beyond its limit already"


@pytest.mark.parametrize("value", [0.0, 2.0])
def test_what_never_moves_has_no_date(value: float) -> None:
    found = drift("span", "%", TIMES, np.full(60, value), 5.0)
    assert found is not None
    assert (found.per_day, found.reaches, found.reason) == (0.0, None, "no date: the slope is not significant")


def test_four_calibrations_may_tell_with_a_wide_interval() -> None:
    found = drift("span", "%", TIMES[:4] * 90.0, np.array([0.0, 0.1, 0.2, 0.31]), 0.5, least=4)
    assert found is not None
    assert found.rows == 4
    assert found.low < found.per_day < found.high
    assert found.per_day * 90.0 == pytest.approx(0.103)  # by hand: (3 * 0.31 + 0.2 - 0.1) / 10


def test_few_rows_give_nothing() -> None:
    assert drift("zero", "t/h", TIMES[:9], np.arange(9.0), 1.0) is None
    assert drift("zero", "t/h", TIMES, np.full(60, np.nan), 1.0) is None


def test_units_stand_on_one_line() -> None:
    line = unit_chain("t/h", 0.0, 420.0, "t/h", "t")
    assert line == "gauge t/h -> 4..20 mA = 0..420 t/h -> PLC t/h -> total t"
