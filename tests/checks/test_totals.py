"""Totals against the integral of their flow."""

from __future__ import annotations

import numpy as np
import pytest

from checks import totals
from checks.result import CheckResult, Verdict
from checks.samples import Samples
from config.model import Plc, Site, Totalizer
from deploy.plant.model import Switch
from tests.checks.runs_of_terminal import BEGIN, changed, run_of, samples_by_hand, small_site, window_of, windows_of

ROLES = ("flow", "plc_flow", "plc_total", "gauge_total", "speed", "drive_running")


def site_of(digit: float = 0.1) -> Site:
    site = small_site(ROLES)
    loop = site.loops["TB-07"]
    plc = Plc(range=loop.plc.range, total=Totalizer(resolution=digit))
    return site.model_copy(update={"loops": {"TB-07": loop.model_copy(update={"plc": plc})}})


def steady(seconds: int, factor: float = 1.0, *, digit: float = 0.1, seed: int = 1, skew: int = 0) -> Samples:
    """A flow of about 260 t/h and a total that shows whole digits of `factor` times what passed."""
    rng = np.random.default_rng(seed)
    level = 260.0 + 20.0 * np.sin(np.arange(seconds) / 300.0) + rng.normal(0.0, 3.0, seconds)
    passed = np.cumsum(level) / 3600.0 + 1000.0 + rng.random()

    def shown(of: np.ndarray) -> np.ndarray:
        return np.asarray(np.floor(of / digit) * digit)

    return samples_by_hand(
        {"flow": level, "plc_flow": np.roll(level, skew), "plc_total": shown(1000.0 + factor * (passed - 1000.0)),
         "gauge_total": shown(passed), "speed": np.full(seconds, 1.9), "drive_running": np.ones(seconds)}
    )  # fmt: skip


def plc(samples: Samples, site: Site | None = None) -> CheckResult:
    return totals.check(window_of(samples, site or site_of()))[1]


@pytest.mark.parametrize("seed", range(4))
def test_2_per_cent_short_is_a_fault_within_30_min(seed: int) -> None:
    assert plc(steady(1800, 0.98, seed=seed)).verdict is Verdict.FAULT


@pytest.mark.parametrize("skew", [0, 1, -1])
@pytest.mark.parametrize("seed", range(3))
def test_sound_total_is_never_a_fault(seed: int, skew: int) -> None:
    samples = steady(3 * 3600, seed=seed, skew=skew)
    verdicts = {r.verdict for window in windows_of(samples, site_of(), 120) for r in totals.check(window)}
    assert verdicts <= {Verdict.OK, Verdict.NOT_EVALUATED}


def test_verdict_waits_until_the_digit_can_show_it() -> None:
    """One digit of 1 t at both ends is 0.8 t expanded, 1.3 % of a quarter of an hour at 260 t/h (computed)."""
    assert plc(steady(900, digit=1.0), site_of(1.0)).verdict is Verdict.NOT_EVALUATED
    assert plc(steady(3 * 3600, 0.99, digit=1.0), site_of(1.0)).verdict is Verdict.FAULT


def test_numbers_name_tonnes_ratio_and_state() -> None:
    result = plc(steady(3600, 0.98))
    assert result.facts["ratio"] == pytest.approx(0.98, abs=0.003)
    assert result.facts["excess_t"] == pytest.approx(result.facts["gained_t"] - result.facts["demanded_t"])
    assert result.facts["loaded_gained_t"] == pytest.approx(result.facts["gained_t"])
    assert result.facts["empty_gained_t"] == 0.0
    assert {item.unit for item in result.evidence} == {"t", "% of the tonnes"}
    assert result.value("PLC total less gauge total") == pytest.approx(result.facts["excess_t"], abs=0.3)


def test_too_few_tonnes_say_how_many_are_missing() -> None:
    result = plc(steady(120))
    assert result.verdict is Verdict.NOT_EVALUATED
    assert "t more over the belt" in result.needs[0]


def test_total_that_gains_on_a_belt_without_flow_is_a_fault_however_little_passed() -> None:
    idle = samples_by_hand(
        {"flow": np.zeros(1800), "plc_flow": np.zeros(1800), "plc_total": 1000.0 + np.floor(np.arange(1800) / 20.0) * 0.1,
         "gauge_total": np.full(1800, 5.0), "speed": np.zeros(1800), "drive_running": np.zeros(1800)}
    )  # fmt: skip
    result = plc(idle)
    assert result.verdict is Verdict.FAULT
    assert result.facts["stopped_gained_t"] == pytest.approx(9.0, abs=0.6)


def test_fault_that_is_over_is_not_remembered_for_the_whole_horizon() -> None:
    samples = changed(steady(3 * 3600), plc_total=lambda v: v - 0.05 * np.clip(v - v[0], 0.0, v[3600] - v[0]))
    found = {window.end_s - BEGIN: totals.check(window)[1].verdict for window in windows_of(samples, site_of(), 3600)}
    assert found[3600] is Verdict.FAULT
    assert found[3 * 3600] is Verdict.OK


def test_total_wrong_on_the_empty_belt_only_is_not_over_while_the_belt_is_loaded() -> None:
    samples = steady(3 * 3600)
    empty = np.zeros(3 * 3600)
    empty[3600:5400] = 1.0
    flow = samples.column("flow") * (1.0 - empty)
    passed = np.cumsum(flow) / 3600.0
    creep = np.cumsum(empty) / 3600.0 * 20.0
    both = np.floor(10.0 * (1000.0 + passed)) / 10.0
    wrong = np.floor(10.0 * (1000.0 + passed + creep)) / 10.0
    samples = changed(
        samples, flow=lambda v: flow, plc_flow=lambda v: flow, gauge_total=lambda v: both, plc_total=lambda v: wrong
    )
    result = plc(samples)
    assert result.verdict is Verdict.FAULT
    assert result.facts["empty_gained_t"] - result.facts["empty_demanded_t"] == pytest.approx(10.0, abs=0.5)


def test_tonnes_booked_without_a_reading_of_the_flow_are_told() -> None:
    def lost(values: np.ndarray) -> np.ndarray:
        values[1800:2100] = np.nan
        return values

    result = plc(changed(steady(3600), plc_flow=lost))
    assert result.verdict is Verdict.OK
    assert result.facts["bad_gained_t"] == pytest.approx(260.0 / 12.0, rel=0.1)


@pytest.mark.parametrize("at", [900, 2500])
def test_reset_and_rollover_break_no_verdict(at: int) -> None:
    result = plc(changed(steady(3600), plc_total=lambda v: np.where(np.arange(len(v)) >= at, v - v[at], v)))
    assert result.verdict is Verdict.OK


@pytest.mark.parametrize("at", range(2500, 2510))
def test_tonnes_that_wait_for_a_rollover_to_be_decided_are_missed_nowhere(at: int) -> None:
    """A break is decided four readings after it came; on which side of the end of a block that lies must not matter."""
    samples = changed(steady(3600, digit=0.01), plc_total=lambda v: np.where(np.arange(len(v)) >= at, v - v[at], v))
    blocks = window_of(samples, site_of(0.01)).blocks
    rows = totals.usable_rows(blocks, 1)
    near = rows & (np.abs(blocks.start_s - BEGIN - at) < 60)
    assert near.sum() >= 8
    assert abs((blocks.increment_t[:, 1] - blocks.plc_own_t)[near].sum()) < 0.05  # a second at 260 t/h is 0.07 t


def test_plant_that_counts_twice_is_a_fault_of_about_100_per_cent() -> None:
    result = totals.check(window_of(run_of("TB-07", 0.7, seed=3, faults=["counted-twice"])))[1]
    assert result.verdict is Verdict.FAULT
    assert result.facts["ratio"] == pytest.approx(2.0, abs=0.02)


@pytest.mark.parametrize("loop", ["TB-07", "TB-08", "TB-09"])
def test_slow_total_of_the_terminal_is_a_fault_within_30_min(loop: str) -> None:
    samples = run_of(loop, 1.5, seed=4, faults=[Switch("total-time-base", 1.0)])
    assert totals.check(window_of(samples[slice(0, 3600)]))[1].verdict is Verdict.OK
    assert totals.check(window_of(samples))[1].verdict is Verdict.FAULT


def test_loop_without_totals_says_which_tags_are_missing() -> None:
    results = totals.check(window_of(samples_by_hand({"flow": np.ones(30)}), small_site(["flow"])))
    assert [result.verdict for result in results] == [Verdict.NOT_EVALUATED] * 2
    assert "gauge_total and flow" in results[0].needs[0]
    assert "plc_total and plc_flow" in results[1].needs[0]


def idle_negative(seconds: int, *, upward: bool, offset: float = -12.0, seed: int = 2) -> Samples:
    """A belt that is loaded for half of each hour and else reads `offset` t/h on the empty belt; the gauge total is signed or
    only counts up."""
    rng = np.random.default_rng(seed)
    loaded = (np.arange(seconds) % 3600) < 1800
    level = np.where(loaded, 260.0, offset) + rng.normal(0.0, 3.0, seconds)
    counted = np.maximum(level, 0.0) if upward else level
    total = np.floor((np.cumsum(counted) / 3600.0 + 1000.0) / 0.1) * 0.1
    zeros = np.floor((np.cumsum(level) / 3600.0 + 1000.0) / 0.1) * 0.1
    return samples_by_hand(
        {"flow": level, "plc_flow": level, "plc_total": zeros, "gauge_total": total, "speed": np.full(seconds, 1.9),
         "drive_running": np.ones(seconds)}
    )  # fmt: skip


@pytest.mark.parametrize("offset", [-12.0, -3.0, 0.0])
@pytest.mark.parametrize("upward", [False, True])
def test_total_may_be_signed_or_count_up_only(upward: bool, offset: float) -> None:
    samples = idle_negative(4 * 3600, upward=upward, offset=offset)
    for window in windows_of(samples, site_of(), 900):
        found = totals.check(window)[0]
        assert found.verdict is not Verdict.FAULT, found.reason
    if upward and offset == -12.0:
        assert "counts up only" in found.reason
        assert found.facts["upward"] == 1.0


def test_positive_part_of_noise_is_known_by_its_mean_and_scatter() -> None:
    """E max(X, 0) = 0.3989 sigma for a Gaussian about zero: 3 t/h of noise book 1.2 t/h."""
    samples = idle_negative(3600, upward=True, offset=0.0)
    blocks = window_of(samples, site_of()).blocks[185:]
    hours = float(blocks.measured_s.sum()) / 3600.0
    assert float(totals.upward_t(blocks, 0).sum()) / hours == pytest.approx(3.0 * 0.3989, rel=0.05)


def test_total_that_counts_up_only_and_too_much_is_still_a_fault() -> None:
    samples = idle_negative(4 * 3600, upward=True)
    twice = changed(samples, gauge_total=lambda total: np.floor((1000.0 + 1.03 * (total - 1000.0)) / 0.1) * 0.1)
    assert totals.check(window_of(twice, site_of()))[0].verdict is Verdict.FAULT
