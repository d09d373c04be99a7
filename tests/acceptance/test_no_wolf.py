"""Where a naive tool cries wolf: on each sound plant the plain statistic fails, and the engine tells nothing of the same data.

One test a trap. The naive number is computed here, on the samples that the engine gets; seeds are fixed and printed.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.stats import chi2

from checks.counts import check as counts_check
from checks.engine import LoopEngine
from checks.finding import Finding
from checks.pivot import fieller
from checks.result import Link, Verdict
from checks.samples import Samples
from config.model import Site
from deploy.plant.model import Switch
from deploy.plant.scenario import Steady
from tests.checks.runs_of_terminal import changed, one, run_of, samples_by_hand, small_site, terminal, window_of
from tests.checks.simulation import ALL_ROLES, Chain, steady_load, swinging_load
from tests.checks.test_fit import correlated
from tests.reference.cusum import sums

Floats = NDArray[np.float64]

SEED = 2027
HOUR = 3600
SPAN = 420.0
PATH = ("flow", "speed", "count_rate", "plc_flow", "drive_running")


def told(samples: Samples, site: Site) -> list[Finding]:
    """Every finding of every block that was judged, and of a last look."""
    engine = LoopEngine(site, samples.loop)
    evaluations = engine.push(samples)
    look = engine.look()
    assert evaluations
    assert look is not None
    assert engine.check_errors == {}
    return [finding for evaluation in (*evaluations, look) for finding in evaluation.findings]


def assert_silent(samples: Samples, site: Site) -> None:
    assert [(finding.cause, finding.sentence) for finding in told(samples, site)] == []


def means(values: Floats, seconds: int = 60) -> Floats:
    return np.asarray(values[: len(values) // seconds * seconds].reshape(-1, seconds).mean(axis=1), np.float64)


def slope(x: Floats, y: Floats, *more: Floats) -> float:
    """Ordinary least squares of y on x and further columns: the coefficient of x."""
    return float(np.linalg.lstsq(np.column_stack([np.ones(len(x)), x, *more]), y, rcond=None)[0][1])


def noisy(sd: float, mean: float = 260.0, seconds: int = HOUR, memory: float = 60.0, seed: int = SEED) -> Floats:
    print(f"seed {seed}")
    return steady_load(np.random.default_rng(seed), seconds, mean, sd, memory)


def test_01_pooled_seconds_with_two_seconds_of_skew_show_a_span_fault() -> None:
    chain = Chain(load=noisy(5.0), lag_s=2, roles=PATH, seed=SEED)
    samples = chain.samples()
    naive = slope(samples.values["flow"], samples.values["plc_flow"])
    print(f"slope of 1 s data {naive:.3f}")
    assert naive < 0.95
    assert_silent(samples, chain.site())


@pytest.mark.parametrize("tau", [20.0, 60.0])
def test_02_filter_that_nobody_declared_shows_a_span_fault(tau: float) -> None:
    chain = Chain(load=noisy(12.0, seconds=2 * HOUR), plc_filter=tau, declared_filter=0.0, roles=PATH, seed=SEED)
    samples = chain.samples()
    flow, plc = samples.values["flow"], samples.values["plc_flow"]
    change = flow[59::60] - flow[::60]
    naive = slope(means(flow), means(plc), change)
    print(f"slope of minutes with net change {naive:.3f}")
    assert naive < 0.985
    # what is told is true: a filter that the site file does not know, no fault and no tonnes
    found = told(samples, chain.site())
    assert {item.cause for item in found} <= {"extra-filter"}
    assert {item.verdict for item in found} <= {Verdict.SUSPECT}
    assert {item.tonnes for item in found} <= {None}


def test_03_peaks_at_the_end_of_the_range_show_a_span_fault() -> None:
    chain = Chain(load=noisy(40.0, 360.0), plc_of=lambda flow: np.minimum(flow, SPAN), roles=PATH, seed=SEED)
    samples = chain.samples()
    naive = slope(means(samples.values["flow"], 10), means(samples.values["plc_flow"], 10))
    print(f"slope of all blocks {naive:.3f}")
    assert naive < 0.98
    assert_silent(samples, chain.site())


def test_04_counts_against_flow_with_a_limit_of_half_a_tonne_an_hour() -> None:
    samples = run_of("TB-07", 1.0, seed=SEED)
    gauge = terminal().loops["TB-07"].gauge
    empty = 5140.0 * 0.5 ** (365.0 / (30.05 * 365.25)) + 60.0
    assert gauge.load_per_attenuation is not None
    rate = samples.values["count_rate"]
    demanded = 3.6 * 1.9 * gauge.load_per_attenuation * np.log((empty - 60.0) / np.maximum(rate - 60.0, 1.0))
    moving = means(samples.values["drive_running"]) == 1.0
    apart = np.abs(means(samples.values["flow"]) - means(demanded))[moving]
    print(f"seed {SEED}: {np.mean(apart > 0.5):.0%} of sound minutes beyond 0.5 t/h")
    assert np.mean(apart > 0.5) > 0.5
    assert_silent(samples, terminal())


def test_05_raw_counts_and_flow_read_a_second_apart_differ_by_many_digits() -> None:
    samples = run_of("TB-07", 0.5, seed=SEED)
    late = changed(samples, plc_flow=lambda column: np.concatenate([column[1:], column[-1:]]))
    digit = SPAN / 27648.0
    r4 = late.values["plc_flow"] - late.values["ai_raw"] * digit
    beyond = float(np.mean(np.abs(means(r4)) > digit))
    print(f"seed {SEED}: {beyond:.0%} of minutes beyond one digit")
    assert beyond > 0.8
    assert_silent(late, terminal())


def test_06_two_empties_of_ten_minutes_differ_by_more_than_a_tenth_of_a_per_cent() -> None:
    rng = np.random.default_rng(SEED)
    pairs = rng.poisson(5200.0 * 600.0, (2000, 2)) / 600.0 - 60.0
    beyond = float(np.mean(np.abs(np.log(pairs[:, 1] / pairs[:, 0])) > 1e-3))
    print(f"seed {SEED}: {beyond:.0%} of sound pairs")
    assert 0.17 < beyond < 0.27
    assert_silent(run_of("TB-07", 0.6, seed=SEED, scenario=Steady(0.0)), terminal())


def filtered_counts(rng: np.random.Generator, mean: float, seconds: int, tau: float) -> Floats:
    keep = math.exp(-1.0 / tau)
    level, _ = lfilter([1.0 - keep], [1.0, -keep], rng.poisson(mean, seconds), zi=[keep * mean])
    return np.asarray(level, np.float64)


def test_07_chi_square_of_filtered_counts_calls_a_live_detector_frozen() -> None:
    rng = np.random.default_rng(SEED)
    low, high = float(chi2.ppf(0.005, 49)), float(chi2.ppf(0.995, 49))
    rejected, roles = 0, ("flow", "count_rate", "speed", "drive_running")
    for _ in range(60):
        rate = filtered_counts(rng, 4075.0, 300, 10.0)
        last = rate[-50:]
        statistic = 49.0 * last.var(ddof=1) / (4075.0 / 20.0)
        rejected += not low <= statistic <= high
        columns = {"flow": np.full(300, 260.0), "count_rate": rate, "speed": np.full(300, 1.9), "drive_running": np.ones(300)}
        result = counts_check(window_of(samples_by_hand(columns), small_site(roles)))[0]
        assert result.verdict is Verdict.OK, result.reason
    print(f"seed {SEED}: chi-square rejects {rejected} of 60")
    assert rejected > 15


def test_08_flow_behind_a_cut_off_stands_still_for_the_whole_idle_hour() -> None:
    cut = 8.4
    chain = Chain(load=np.zeros(HOUR), seed=SEED, flow_of=lambda flow: np.where(flow < cut, 0.0, flow))
    samples = chain.samples()
    moved = np.flatnonzero(np.diff(samples.values["flow"]) != 0.0)
    longest = int(np.diff(np.concatenate([[0], moved, [HOUR]])).max())
    print(f"seed {SEED}: {longest} s without a change")
    assert longest > 60
    site = chain.site()
    loop = site.loops["TB-07"]
    declared = loop.model_copy(update={"gauge": loop.gauge.model_copy(update={"low_cutoff": cut})})
    assert_silent(samples, site.model_copy(update={"loops": {"TB-07": declared}}))


def test_09_loaded_potash_under_a_closed_shutter_counts_more_than_background() -> None:
    rng = np.random.default_rng(SEED)
    background, own = 60.0, 1.5 * 260.0 / (3.6 * 1.9)
    rate = rng.poisson(background + own, 300).astype(np.float64)
    beyond = float(np.mean(rate > background + 6.0 * math.sqrt(background)))
    print(f"seed {SEED}: {beyond:.0%} of seconds above background + 6 sigma")
    assert beyond > 0.7
    roles = ("flow", "count_rate", "speed", "drive_running", "shutter_closed")
    ones = np.ones(300)
    columns = {"flow": 0.0 * ones, "count_rate": rate, "speed": 1.9 * ones, "drive_running": ones, "shutter_closed": ones}
    causes = {item.cause for item in told(samples_by_hand(columns), small_site(roles, counts_filtered=False))}
    assert "shutter-contradiction" not in causes
    assert causes <= {"shutter-closed"}


def test_10_slip_under_a_sensor_on_the_tail_pulley_loses_no_tonnes() -> None:
    """The belt is 1.84 % slower than its drive says, and the gauge knows it: flow and tonnes are right."""
    samples = run_of("TB-09", 0.75, seed=SEED, faults=[Switch("belt-slip", 0.25, severity=1.84)])
    hertz, metres = samples.values["drive_speed"][-600:], samples.values["speed"][-600:]
    r9 = float(np.mean(metres)) / (float(np.mean(hertz)) / 50.0 * 2.6) - 1.0
    print(f"seed {SEED}: r9 {r9:.2%}, naive loss {r9 * 260.0:.1f} t/h")
    assert r9 < -0.015
    assert [item.tonnes for item in told(samples, terminal()) if item.tonnes] == []


def residuals(rho: float, seed: int = SEED) -> tuple[Floats, Chain]:
    """Two hours of a sound path whose residual remembers from block to block, and that residual in its own sigmas."""
    rows = correlated(np.random.default_rng(seed), 2 * HOUR // 10, rho)
    chain = Chain(
        load=noisy(12.0, seconds=2 * HOUR, seed=seed), lag_s=0, roles=PATH, seed=seed,
        plc_of=lambda flow: flow + 0.25 * np.repeat(rows, 10),
    )  # fmt: skip
    samples = chain.samples()
    apart = means(samples.values["plc_flow"] - samples.values["flow"], 10)
    return (apart - apart.mean()) / apart.std(), chain


@pytest.mark.parametrize("rho", [0.6, 0.9])
def test_11_cumulative_sum_of_residuals_with_a_memory_alarms(rho: float) -> None:
    z, chain = residuals(rho)
    alarms = int((sums(z, 0.5) >= 5.0).sum() + (sums(-z, 0.5) >= 5.0).sum())
    print(f"seed {SEED}, rho {rho}: {alarms} of {len(z)} rows beyond h = 5")
    assert alarms > 10
    assert_silent(chain.samples(), chain.site())


def test_12_change_point_of_seven_nats_in_noise_with_a_memory() -> None:
    false = 0
    for seed in range(SEED, SEED + 20):
        z = correlated(np.random.default_rng(seed), 300, 0.6)
        cuts = np.arange(3, 297)
        left, square = np.cumsum(z), np.cumsum(z * z)
        before = square[cuts - 1] - left[cuts - 1] ** 2 / cuts
        after = square[-1] - square[cuts - 1] - (left[-1] - left[cuts - 1]) ** 2 / (300 - cuts)
        whole = square[-1] - left[-1] ** 2 / 300
        false += float((150.0 * np.log(whole / (before + after))).max()) > 7.0
    print(f"seeds {SEED} on: {false} of 20 sound runs have a change of 7 nats")
    assert false >= 7
    z, chain = residuals(0.6, SEED + 1)
    assert len(z) == 720
    assert_silent(chain.samples(), chain.site())


@pytest.mark.parametrize("lag_s", [2, 5])
def test_13_single_minutes_without_a_lag_differ_by_a_quarter_per_cent_of_span(lag_s: int) -> None:
    chain = Chain(load=noisy(50.0, 230.0), lag_s=lag_s, roles=PATH, seed=SEED)
    samples = chain.samples()
    apart = np.abs(means(samples.values["plc_flow"]) - means(samples.values["flow"]))
    print(f"lag {lag_s} s: {np.mean(apart > 0.0025 * SPAN):.0%} of minutes")
    assert np.mean(apart > 0.0025 * SPAN) > 0.3
    assert_silent(samples, chain.site())


@pytest.mark.parametrize("background", [0.5, 0.05])
def test_14_counter_of_a_low_background_shows_honest_zeros(background: float) -> None:
    """Belt standing, shutter closed for work: nothing but background reaches the detector."""
    rng = np.random.default_rng(SEED)
    rate = rng.poisson(background, 900).astype(np.float64)
    longest = int(np.diff(np.concatenate([[-1], np.flatnonzero(rate > 0.0), [900]])).max()) - 1
    print(f"seed {SEED}, background {background} 1/s: {longest} s of zeros")
    assert longest >= 5
    zero = np.zeros(900)
    columns = {"flow": zero, "count_rate": rate, "speed": zero, "drive_running": zero, "shutter_closed": zero + 1.0}
    site = small_site(tuple(columns), counts_filtered=False, background=background)
    assert "zero-counts" not in {item.cause for item in told(samples_by_hand(columns), site)}


def test_15_decay_that_is_taken_off_once_a_month_is_no_change() -> None:
    """The month's 2.0 t/h comes off in one step: significant by far, below what anybody needs to act on."""
    month = [Switch("decay-double", 0.5, severity=1.0 / 12.0)]
    samples = run_of("TB-07", 1.0, seed=SEED, faults=month, scenario=Steady(260.0))
    same = run_of("TB-07", 1.0, seed=SEED, scenario=Steady(260.0))
    step = samples.values["flow"] - same.values["flow"]
    size = float(step[-600:].mean())
    print(f"seed {SEED}: step {size:.2f} t/h, {abs(size) / 0.25:.0f} sigma of an hour")
    assert -2.3 < size < -1.7
    assert_silent(samples, terminal())


def test_16_three_seconds_of_zeros_of_a_gateway_are_no_dead_detector() -> None:
    samples = run_of("TB-07", 0.5, seed=SEED)
    gauge_side = ("flow", "load", "count_rate", "detector_temperature", "gauge_total", "speed", "gauge_output")

    def lost(column: Floats) -> Floats:
        column[1000:1003] = 0.0
        return column

    blinked = changed(samples, **dict.fromkeys(gauge_side, lost))
    run = int((blinked.values["count_rate"] == 0.0).sum())
    print(f"{run} s without a count at 60 1/s of background: {math.exp(-60.0 * run):.0e} by chance")
    assert math.exp(-60.0 * run) < 1e-9
    assert_silent(blinked, terminal())


def test_17_archive_with_a_deadband_on_one_side_shows_a_span_fault() -> None:
    """1 % of span on the flow of the gauge alone."""
    chain = Chain(load=noisy(5.0, seconds=HOUR), lag_s=0, roles=("flow", "plc_flow", "drive_running"), seed=SEED)
    samples = chain.samples()
    flow, kept = samples.values["flow"], np.empty(HOUR)
    last = flow[0]
    for row in range(HOUR):
        if abs(flow[row] - last) >= 0.01 * SPAN:
            last = flow[row]
        kept[row] = last
    naive = slope(kept, samples.values["plc_flow"])
    print(f"seed {SEED}: slope of 1 s data {naive:.3f}")
    assert naive < 0.97
    archived = replace(samples, values={**samples.values, "flow": kept})
    assert_silent(archived, chain.site())


def test_18_pivot_of_a_sound_loop_is_a_number_too() -> None:
    chain = Chain(load=swinging_load(np.random.default_rng(SEED), HOUR), roles=ALL_ROLES, seed=SEED)
    samples = chain.samples()
    flow, plc = means(samples.values["flow"], 10), means(samples.values["plc_flow"], 10)
    gain = slope(flow, plc) - 1.0
    offset = float(plc.mean() - (1.0 + gain) * flow.mean())
    naive = 4.0 + 16.0 * (-offset / gain) / SPAN
    print(f"seed {SEED}: G - 1 = {gain:.5f}, pivot {naive:.1f} mA")
    assert math.isfinite(naive)
    facts = one(LoopLook(samples, chain.site()).results, "scaling", Link.INPUT_CARD).facts
    assert not fieller(facts["offset"], facts["gain"], _covariance(facts)).bounded
    assert_silent(samples, chain.site())


@pytest.mark.parametrize("loop", ["TB-07", "TB-09"])
def test_readings_that_come_a_second_late_by_chance_or_for_an_hour_are_no_difference(loop: str) -> None:
    """Two clocks of one second drift past each other, or a connection is made anew: the far end is read up to 1 s later."""
    samples = run_of(loop, 2.0, seed=SEED)
    rng = np.random.default_rng(SEED)
    late = np.concatenate([np.zeros(2400, np.intp), np.ones(2400, np.intp), rng.integers(0, 2, 2400)])
    rows = np.maximum(np.arange(len(samples)) - late, 0)
    far = ("plc_flow", "ai_raw", "loop_current", "plc_total")
    shifted = changed(samples, **dict.fromkeys(far, lambda column: column[rows]))
    naive = np.abs(means(shifted.values["plc_flow"], 10) - means(shifted.values["flow"], 10))
    print(f"seed {SEED}: {np.mean(naive > 0.005 * SPAN):.0%} of blocks differ by more than the fault limit")
    assert np.mean(naive > 0.005 * SPAN) > 0.1
    assert_silent(shifted, terminal())


class LoopLook:
    """The results of a last look at a run."""

    def __init__(self, samples: Samples, site: Site) -> None:
        engine = LoopEngine(site, samples.loop)
        engine.push(samples, evaluate=False)
        look = engine.look()
        assert look is not None
        self.results = look.results


def _covariance(facts: dict[str, float]) -> Floats:
    return np.array(
        [
            [facts["v_oo"] + facts["s_oo"], facts["v_og"] + facts["s_og"]],
            [facts["v_og"] + facts["s_og"], facts["v_gg"] + facts["s_gg"]],
        ]
    )
