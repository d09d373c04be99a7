"""The flow that counts demand, and the integrals with their gaps."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.derived import ExpectedFlow, Integral, can_expect
from config.model import Loop
from tests.checks.runs_of_terminal import BEGIN, samples_by_hand, small_site

ROLES = ("flow", "count_rate", "speed")


def loop_of(roles: tuple[str, ...] = ROLES, **gauge: Any) -> Loop:
    declared: dict[str, Any] = {"load_per_attenuation": 1.0 / 0.0065, "background": 60.0, "empty_belt_rate": 5200.0, **gauge}
    return small_site(roles, **declared).loops["TB-07"]


def test_flow_can_be_rebuilt_only_with_counts_tare_calibration_and_speed() -> None:
    assert can_expect(loop_of())
    assert not can_expect(loop_of(load_per_attenuation=None))
    assert not can_expect(loop_of(empty_belt_rate=None))
    assert not can_expect(loop_of(("flow", "count_rate")))
    assert can_expect(loop_of(("flow", "count_rate"), speed_source="fixed", fixed_speed=1.9))
    assert can_expect(loop_of((*ROLES, "empty_belt_rate"), empty_belt_rate=None))


@pytest.mark.parametrize(("counts", "flow"), [(5200.0, 0.0), (4075.0, 260.0), (3509.0, 420.0)])
def test_reference_conveyor(counts: float, flow: float) -> None:
    """F = 1052 ln(5140/(C - 60)) (computed)."""
    samples = samples_by_hand({"flow": [flow], "count_rate": [counts], "speed": [1.9]})
    assert ExpectedFlow(loop_of(), 1)(samples)[0] == pytest.approx(flow, abs=0.35)


def test_source_decays_from_the_reference_date_and_the_background_does_not() -> None:
    """Uncompensated, Cs-137 gives 24.3 t/h a year on the reference conveyor (computed)."""
    samples = samples_by_hand({"flow": [0.0], "count_rate": [5200.0], "speed": [1.9]})
    fresh, old = (ExpectedFlow(loop_of(reference_date=date(year, 1, 15)), 1)(samples)[0] for year in (2027, 2026))
    assert fresh == pytest.approx(0.0, abs=0.1)
    assert old == pytest.approx(-24.3, abs=0.3)


def test_no_beam_gives_no_number() -> None:
    samples = samples_by_hand({"flow": [0.0] * 3, "count_rate": [0.0, 60.0, np.nan], "speed": [1.9] * 3})
    assert np.isnan(ExpectedFlow(loop_of(), 1)(samples)).all()


def test_unfiltered_counts_go_through_the_damping_of_the_gauge_before_the_logarithm() -> None:
    counts = np.random.default_rng(4).poisson(4075.0, 3000).astype(float)
    samples = samples_by_hand({"flow": np.ones(3000), "count_rate": counts, "speed": np.full(3000, 1.9)})
    found = ExpectedFlow(loop_of(counts_filtered=False, damping=10.0), 1)(samples)
    assert np.isnan(found[:50]).all()
    assert float(np.nanstd(found)) == pytest.approx(3.7, rel=0.15)


def test_trapezoid_of_a_ramp_is_exact() -> None:
    tonnes, seconds = Integral(1).push(np.arange(101), np.arange(101.0) * 3.6)
    assert tonnes[1:].sum() == pytest.approx(0.001 * 0.5 * 100**2)
    assert seconds.sum() == 101.0


def test_gap_adds_nothing_and_is_not_measured() -> None:
    times = np.concatenate([np.arange(100), np.arange(400, 500)]) + BEGIN
    tonnes, seconds = Integral(1).push(times, np.full(200, 3600.0))
    assert tonnes.sum() == pytest.approx(200.0)
    assert seconds.sum() == 200.0


def test_single_missing_reading_is_bridged() -> None:
    flow = np.full(100, 3600.0)
    flow[50] = np.nan
    tonnes, seconds = Integral(1).push(np.arange(100), flow)
    assert (tonnes.sum(), seconds.sum()) == (pytest.approx(100.0), 100.0)


@settings(max_examples=40)
@given(st.lists(st.integers(0, 200), max_size=20))
def test_chunks_do_not_matter_to_an_integral(cuts: list[int]) -> None:
    rng = np.random.default_rng(2)
    times = np.sort(rng.choice(260, 200, replace=False))
    flow = np.where(rng.random(200) < 0.1, np.nan, rng.normal(260.0, 20.0, 200))
    whole, pieces = Integral(1), Integral(1)
    parts = [pieces.push(times[a:b], flow[a:b]) for a, b in pairwise([0, *sorted(cuts), 200])]
    for part, column in zip(zip(*parts, strict=True), whole.push(times, flow), strict=True):
        assert np.concatenate(part).tobytes() == column.tobytes()


def test_damping_starts_anew_behind_a_stretch_without_samples_in_any_chunks() -> None:
    """What the filter knew before the gap is not what the gauge's own filter saw in it."""
    counts = np.concatenate([np.full(300, 5200.0), np.full(300, 3509.0)])
    samples = samples_by_hand({"flow": np.ones(600), "count_rate": counts, "speed": np.full(600, 1.9)})
    keep = np.flatnonzero((np.arange(600) < 280) | (np.arange(600) >= 340))
    kept = replace(
        samples, time_s=samples.time_s[keep], flags=samples.flags[keep],
        values={role: column[keep] for role, column in samples.values.items()},
        quality={role: column[keep] for role, column in samples.quality.items()},
    )  # fmt: skip
    loop = loop_of(counts_filtered=False, damping=10.0)
    whole = ExpectedFlow(loop, 1)(kept)
    assert np.isnan(whole[280:330]).all()
    assert whole[330:] == pytest.approx(420.0, abs=0.5)
    pieces = ExpectedFlow(loop, 1)
    assert np.array_equal(np.concatenate([pieces(kept[slice(0, 280)]), pieces(kept[slice(280, 540)])]), whole, equal_nan=True)
