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


def test_few_rows_give_nothing() -> None:
    assert drift("zero", "t/h", TIMES[:9], np.arange(9.0), 1.0) is None
    assert drift("zero", "t/h", TIMES, np.full(60, np.nan), 1.0) is None


def test_units_stand_on_one_line() -> None:
    line = unit_chain("t/h", 0.0, 420.0, "t/h", "t")
    assert line == "gauge t/h -> 4..20 mA = 0..420 t/h -> PLC t/h -> total t"
