"""Numbers of plain estimators that mislead, reproduced by seeded simulation, each beside what the product makes of the same data.

All numbers are for the invented conveyor of `tests.checks.simulation` (computed, recomputed here).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from checks import counts, shape
from checks.derived import EXPECTED
from checks.fit import least_squares, whitened_least_squares
from checks.hypotheses import TONS, Measured, rank
from checks.line_findings import findings as line_findings
from checks.line_look import ANALOGUE_FLOOR, floor_covariance
from checks.lines import chain as chain_of
from checks.physics import attenuation, empty_rate, flow_noise_t_h, flow_t_h
from checks.result import CheckResult, Link
from checks.scaling import check
from config.nuclides import decay_constant_s
from tests.checks.runs_of_terminal import samples_by_hand, small_site, window_of
from tests.checks.simulation import BACKGROUND, EMPTY, KV, Chain, one_pole, steady_load, swinging_load
from tests.checks.test_fit import all_follow, correlated

Floats = NDArray[np.float64]

HOUR = 3600
PATH = ("flow", "plc_flow", "speed", "drive_running")
CARD = ("flow", "gauge_output", "ai_raw", "plc_flow", "drive_running")


def line(chain: Chain, link: Link = Link.SCALING_BLOCK) -> CheckResult:
    return next(result for result in check(chain.window()) if result.link is link)


def slope(x: Floats, y: Floats) -> float:
    return float(np.polyfit(x, y, 1)[0])


def moving_average(values: Floats, seconds: int) -> Floats:
    padded = np.concatenate([np.full(seconds - 1, values[0]), values])
    return np.asarray(np.convolve(padded, np.full(seconds, 1.0 / seconds), mode="valid"), np.float64)


@pytest.mark.statistical
def test_merged_moments_of_seconds_rebuild_the_slope_that_a_lag_falsifies() -> None:
    """Lag 2 s, load sd 5: slope of pooled 1 s data 0.92 whatever blocks they are merged from; the product's 1.000."""
    pooled, fitted = [], []
    for seed in range(100, 108):
        chain = Chain(load=steady_load(np.random.default_rng(seed), HOUR, 260.0, 5.0), lag_s=2, roles=PATH, seed=seed)
        samples = chain.samples()
        pooled.append(slope(samples.values["flow"], samples.values["plc_flow"]))
        facts = line(chain).facts
        fitted.append(1.0 + facts["gain"])
    error = float(np.std(fitted)) / math.sqrt(8.0)
    print(f"seeds 100 to 107: pooled {np.mean(pooled):.3f}, product {np.mean(fitted):.4f} (sd {np.std(fitted):.4f})")
    assert 0.85 < np.mean(pooled) < 0.95
    assert np.mean(fitted) == pytest.approx(1.0, abs=3.0 * error)
    assert error < 0.004


@pytest.mark.statistical
@pytest.mark.parametrize(
    ("kind", "seconds", "lag_s"), [("RC", 10, 10.0), ("RC", 20, 20.0), ("RC", 60, 60.0), ("MA", 60, 29.5), ("MA", 120, 59.5)]
)
def test_filter_that_dilutes_the_slope_of_minutes_leaves_the_products_slope_and_gives_its_lag(
    kind: str, seconds: int, lag_s: float
) -> None:
    load = steady_load(np.random.default_rng(41), 3 * HOUR)
    behind = (lambda flow: one_pole(flow, float(seconds))) if kind == "RC" else (lambda flow: moving_average(flow, seconds))
    chain = Chain(load=load, lag_s=0, roles=PATH, seed=41, plc_of=behind, declared_filter=0.0)
    samples = chain.samples()
    flow, plc = samples.values["flow"].reshape(-1, 60), samples.values["plc_flow"].reshape(-1, 60)
    design = np.column_stack([np.ones(len(flow)), flow.mean(axis=1), flow[:, -1] - flow[:, 0]])
    plain = float(np.linalg.lstsq(design, plc.mean(axis=1), rcond=None)[0][1])
    facts = line(chain).facts
    print(
        f"seed 41, {kind} {seconds} s: minutes {plain:.3f}, product {1.0 + facts['gain']:.4f}, lag {facts['fit_lag_s']:.1f} s"
    )
    assert plain < 0.996
    assert 1.0 + facts["gain"] == pytest.approx(1.0, abs=3e-3)
    assert facts["fit_lag_s"] == pytest.approx(lag_s, abs=1.5)


@pytest.mark.parametrize(("gain", "range_high"), [(0.84, 500.0), (1.25, 336.0)])
def test_lag_is_minus_the_coefficient_of_the_net_change_over_the_slope(gain: float, range_high: float) -> None:
    """The coefficient itself is -1.67 s at G 0.84 and -2.49 s at G 1.25; the lag is 2 s at both."""
    load = swinging_load(np.random.default_rng(38), HOUR, 60.0, 300.0)
    facts = line(Chain(load=load, lag_s=2, seed=38, roles=CARD, gauge_range=(0.0, range_high)), Link.INPUT_CARD).facts
    assert 1.0 + facts["gain"] == pytest.approx(gain, abs=2e-3)
    assert facts["fit_lag_s"] == pytest.approx(2.0, abs=0.15)


@pytest.mark.parametrize(("swing", "bias"), [(80.0, -3.0), (130.0, -8.0)])
def test_logarithm_of_a_block_mean_is_biased_and_the_rebuilt_flow_is_not(swing: float, bias: float) -> None:
    """-sd^2/(2 Kv) where the load moves inside a block; expected_flow takes the logarithm of each second."""
    load = 260.0 + swing * math.sqrt(2.0) * np.sin(2.0 * np.pi * np.arange(HOUR) / 10.0)
    rate = BACKGROUND + EMPTY * np.exp(-load / KV)
    plain = KV * np.log(EMPTY / (rate.reshape(-1, 10).mean(axis=1) - BACKGROUND))
    assert float(plain.mean()) - 260.0 == pytest.approx(bias, abs=0.2)
    roles = ("flow", "count_rate", "speed", "drive_running")
    site = small_site(roles, load_per_attenuation=KV / (3.6 * 1.9), counts_filtered=True, damping=0.0)
    ones = np.ones(HOUR)
    window = window_of(samples_by_hand(dict(zip(roles, (load, rate, 1.9 * ones, ones), strict=True))), site)
    assert float(window.blocks.of("mean", EXPECTED).mean()) == pytest.approx(260.0, abs=0.01)


@pytest.mark.parametrize(("rate", "bias"), [(5200.0, 0.10), (300.0, 1.8), (100.0, 5.4)])
def test_logarithm_of_one_second_of_counts_is_biased(rate: float, bias: float) -> None:
    """Kv C/(2 N^2) for N of the counts above background (none here but the rate itself); gone behind the damping."""
    rng = np.random.default_rng(6)
    drawn = rng.poisson(rate, 2_000_000).astype(np.float64)
    net, empty = drawn[drawn > 0.0], rate
    found = KV * float(np.log(empty / net).mean())
    assert found == pytest.approx(bias, rel=0.12, abs=0.03)
    damped = one_pole(drawn, 10.0)[200:]
    rebuilt = flow_t_h(attenuation(damped, empty, 0.0), KV / 3.6, 1.0)
    assert float(rebuilt.mean()) < 0.07 * bias + 0.02


def test_leak_across_a_two_wire_transmitter_has_a_slope_below_one_and_a_far_pivot() -> None:
    """6.5 kohm across 250 ohm at 24 V: G = 1/(1 + r/R) = 0.963, pivot at U/r = 96 mA; a test for G = 1 fails by many sigma."""
    gain = 1.0 / (1.0 + 250.0 / 6500.0)
    load = swinging_load(np.random.default_rng(8), HOUR)
    chain = Chain(load=load, seed=8, roles=CARD, current_of=lambda ma: gain * (ma + 1000.0 * 24.0 / 6500.0))
    result = line(chain, Link.INPUT_CARD)
    facts = result.facts
    assert 1.0 + facts["gain"] == pytest.approx(0.963, abs=2e-3)
    assert abs(facts["gain"]) > 15.0 * math.sqrt(facts["v_gg"])
    assert facts["pivot_ma"] == pytest.approx(96.0, abs=8.0)
    window = chain.window()
    assert [item.cause for item in line_findings(window, check(window), frozenset())] == ["current-leak-in"]


@pytest.mark.parametrize(
    ("name", "changes", "slope_", "pivot"),
    [
        ("shunt of 255 ohm", {"current_of": lambda ma: ma * 255.0 / 250.0}, 1.020, 0.0),
        ("gauge -20..500 on a PLC 0..420", {"gauge_range": (-20.0, 500.0)}, 420.0 / 520.0, 7.20),
    ],
)
def test_pivots_beyond_the_simple_table(name: str, changes: dict[str, object], slope_: float, pivot: float) -> None:
    load = swinging_load(np.random.default_rng(10), HOUR, 60.0, 300.0)
    facts = line(Chain(load=load, seed=10, roles=CARD, **changes), Link.INPUT_CARD).facts  # type: ignore[arg-type]
    assert 1.0 + facts["gain"] == pytest.approx(slope_, abs=2e-3), name
    assert facts["pivot_ma"] == pytest.approx(pivot, abs=0.6), name


def test_unit_factor_pivots_at_no_flow_and_not_at_4_ma() -> None:
    load = swinging_load(np.random.default_rng(9), HOUR)
    chain = Chain(load=load, low=-50.0, gauge_range=(-50.0, 420.0), plc_range=(-50.0, 420.0), seed=9, roles=PATH,
                  plc_of=lambda flow: 1.10231 * flow)  # fmt: skip
    facts = line(chain).facts
    assert facts["pivot_ma"] == pytest.approx(5.70, abs=0.15)
    window = chain.window()
    assert [item.cause for item in line_findings(window, check(window), frozenset())] == ["ton-unit"]


@pytest.mark.statistical
@pytest.mark.parametrize(
    ("phi_e", "phi_x", "low", "high"), [(0.0, 0.6, 0.02, 0.10), (0.6, 0.6, 0.10, 0.26), (0.8, 0.9, 0.24, 0.48)]
)
def test_plain_standard_errors_of_a_slope_are_too_small_and_whitened_ones_hold(
    phi_e: float, phi_x: float, low: float, high: float
) -> None:
    """44 rows, s 0.8, load sd 60: "more than 2 SE" of a sound line in 5, 17 and 37 %; whitened in 6 to 8 %."""
    rng = np.random.default_rng(12)
    draws, plain, white = 400, 0, 0
    for _ in range(draws):
        x = 260.0 + 60.0 * correlated(rng, 44, phi_x)
        y = x + 0.8 * correlated(rng, 44, phi_e)
        design = np.stack([np.ones(44), x], axis=1)
        first, second = least_squares(design, y), whitened_least_squares(design, y, all_follow(44))
        plain += abs(first.coefficients[1] - 1.0) > 2.0 * math.sqrt(first.covariance[1, 1])
        white += abs(second.coefficients[1] - 1.0) > 2.0 * math.sqrt(second.covariance[1, 1])
    print(f"seed 12, phi {phi_e}/{phi_x}: plain {plain / draws:.1%}, whitened {white / draws:.1%}")
    assert low < plain / draws < high
    assert white / draws < 0.13


@pytest.mark.statistical
def test_counts_taken_back_through_their_filter_scatter_as_counting_does() -> None:
    """D 0.998 with the right time constant, 0.82 and 1.20 with one that is wrong by 10 %: good for alive or dead only."""
    rng = np.random.default_rng(14)
    raw = rng.poisson(4075.0, 40_000).astype(np.float64)
    filtered = one_pole(raw, 10.0)
    found = {}
    for damping in (9.0, 10.0, 11.0):
        columns = {"flow": 0.0 * raw, "count_rate": filtered, "drive_running": raw * 0.0 + 1.0}
        window = window_of(samples_by_hand(columns), small_site(tuple(columns), damping=damping))
        back = counts.raw_counts(window, 7000.0)
        found[damping] = float(back.var() / back.mean())
    print("seed 14, dispersion by time constant", {key: round(value, 3) for key, value in found.items()})
    assert found[10.0] == pytest.approx(1.0, abs=0.05)
    assert found[9.0] == pytest.approx(0.82, abs=0.05)
    assert found[11.0] == pytest.approx(1.20, abs=0.06)


@pytest.mark.parametrize("sd", [12.0, 35.0])
def test_spread_of_counts_holds_the_load_and_successive_differences_do_not(sd: float) -> None:
    """Variance over mean of 30 s is 1.1 to 5 of a live detector under load; of successive differences 1.00 to 1.15."""
    rng = np.random.default_rng(15)
    load = steady_load(rng, HOUR, 260.0, sd)
    rate = rng.poisson(BACKGROUND + EMPTY * np.exp(-load / KV)).astype(np.float64)
    plain = np.array([part.var(ddof=1) / part.mean() for part in rate.reshape(-1, 300)])
    columns = {"flow": load, "count_rate": rate, "speed": np.full(HOUR, 1.9), "drive_running": np.ones(HOUR)}
    site = small_site(tuple(columns), counts_filtered=False)
    spreads = []
    for end in range(600, HOUR, 200):
        window = window_of(samples_by_hand({role: column[:end] for role, column in columns.items()}), site)
        spreads.append(counts.check(window)[0].facts["dispersion"])
    print(f"seed 15, sd {sd}: plain {plain.mean():.2f}, product {np.mean(spreads):.2f}")
    assert plain.mean() > 1.2
    assert np.mean(spreads) == pytest.approx(1.05, abs=0.25)
    assert max(spreads) < counts.NOISY


def test_double_compensation_in_the_gauge_is_two_tonnes_an_hour_a_month_and_a_clock_of_2000_pegs_the_flow() -> None:
    """-2.02 t/h a month on the empty belt; a clock set back 26 years raises N0 and with it the flow by 26 x 24.27 t/h."""
    rate, month, year = decay_constant_s("Cs-137"), 365.2422 / 12.0 * 86400.0, 365.2422 * 86400.0

    def shown(true_age: float, believed_age: float) -> float:
        true, believed = (empty_rate(EMPTY + BACKGROUND, BACKGROUND, rate, age) for age in (true_age, believed_age))
        return float(flow_t_h(attenuation(np.array([true]), believed, BACKGROUND), KV / 3.6, 1.0)[0])

    assert shown(month, 2.0 * month) == pytest.approx(-2.02, abs=0.01)
    assert shown(26.0 * year, 0.0) == pytest.approx(631.0, abs=3.0)
    assert shown(0.0, 26.0 * year) < 0.0


def test_cut_off_of_8_4_is_2_55_sigma_and_leaves_0_05() -> None:
    sigma = flow_noise_t_h(
        0.0, load_per_attenuation=KV / 3.6, speed=1.0, net_empty=EMPTY, background=BACKGROUND, tau_s=10.0
    )  # fmt: skip
    for cut, share, left in ((8.4, 2.55, 0.052), (9.9, 3.0, 0.015)):
        assert cut / sigma == pytest.approx(share, abs=0.02)
        assert sigma * stats.norm.pdf(cut / sigma) == pytest.approx(left, abs=0.004)


def test_minute_of_the_damped_signal_is_quieter_than_a_minute_of_raw_counts() -> None:
    """1.74 against 1.9 t/h on the empty belt, 2.13 against 2.3 at 420: 8.8 % less."""
    keep = math.exp(-0.1)
    lags = np.arange(1, 60)
    share = (1.0 + 2.0 * float(((1.0 - lags / 60.0) * keep**lags).sum())) / 60.0
    for flow, signal in ((0.0, 1.74), (100.0, 1.83), (260.0, 1.97), (420.0, 2.13)):
        sigma = flow_noise_t_h(
            flow, load_per_attenuation=KV / 3.6, speed=1.0, net_empty=EMPTY, background=BACKGROUND, tau_s=10.0
        )  # fmt: skip
        net = EMPTY * math.exp(-flow / KV)
        raw = KV * math.sqrt(net + BACKGROUND) / net / math.sqrt(60.0)
        assert sigma * math.sqrt(share) == pytest.approx(signal, rel=0.012)
        assert 100.0 * (sigma * math.sqrt(share) / raw - 1.0) == pytest.approx(-8.8, abs=1.2)


def test_99_per_cent_limits_of_a_dispersion_of_50_counts() -> None:
    assert float(stats.chi2.ppf(0.005, 49) / 49.0) == pytest.approx(0.556, abs=1e-3)
    assert float(stats.chi2.ppf(0.995, 49) / 49.0) == pytest.approx(1.597, abs=1e-3)


def test_every_pair_of_tons_is_known() -> None:
    """Pound 0.45359237 kg exactly; 2000 lb, 2240 lb, 1000 kg against each other."""
    kilograms = (2000.0 * 0.45359237, 2240.0 * 0.45359237, 1000.0)
    for one in kilograms:
        for other in kilograms:
            if one != other:
                assert min(abs(one / other - known) for known in TONS) < 1e-4


@pytest.mark.parametrize(
    ("name", "changes", "model"),
    [
        ("ceiling of 13 mA", {"current_of": lambda ma: np.minimum(ma, 13.0)}, shape.HINGE),
        ("square root", {"raw_of": lambda raw: 27648.0 * np.sqrt(np.maximum(raw, 0.0) / 27648.0)}, shape.POWER),
    ],
)
def test_bent_line_has_a_pivot_too_and_the_product_reads_none(name: str, changes: dict[str, object], model: int) -> None:
    """A line through a ceiling or a square root crosses identity somewhere; the order of the model is asked first."""
    load = swinging_load(np.random.default_rng(11), 2 * HOUR, 60.0, 320.0)
    chain = Chain(load=load, seed=11, roles=CARD, **changes)  # type: ignore[arg-type]
    samples = chain.samples()
    flow, raw = samples.values["flow"], samples.values["ai_raw"] / 27648.0 * 420.0
    gain, offset = np.polyfit(flow, raw, 1)
    naive = 4.0 + 16.0 * (-offset / (gain - 1.0)) / 420.0
    print(f"seed 11, {name}: a straight fit has slope {gain:.3f} and pivot {naive:.1f} mA")
    assert abs(gain - 1.0) > 0.01  # a pivot could be read
    window = chain.window()
    results = check(window)
    result = next(item for item in results if item.link is Link.INPUT_CARD)
    assert result.facts["model"] == model
    named = [item.cause for item in line_findings(window, results, frozenset()) if item.link is Link.INPUT_CARD]
    assert not {"upper-range", "lower-range", "current-leak", "live-zero-mix", "current-offset", "ton-unit"} & set(named)


def test_sound_loop_near_the_top_of_its_range_has_a_slope_of_one_where_its_clipped_rows_are_left_out() -> None:
    """Load 360 +- 40 with a clamp at 420: all blocks 0.94 to 0.96, blocks whose maximum is below the limit 1.0000."""
    load = steady_load(np.random.default_rng(111), 2 * HOUR, 360.0, 40.0)
    chain = Chain(load=load, seed=111, roles=PATH, plc_of=lambda flow: np.minimum(flow, 420.0))
    samples = chain.samples()
    flow, plc = (samples.values[role].reshape(-1, 10).mean(axis=1) for role in ("flow", "plc_flow"))
    facts = line(chain).facts
    print(f"seed 111: all blocks {slope(flow, plc):.3f}, product {1.0 + facts['gain']:.4f}")
    assert slope(flow, plc) < 0.975
    assert 1.0 + facts["gain"] == pytest.approx(1.0, abs=2e-3)


def test_short_ton_on_a_card_a_tenth_of_a_per_cent_off_needs_a_floor_for_card_and_output() -> None:
    """Statistical error 0.0002 alone speaks against the constant; with the 0.1 % that card and output may be off, for it."""
    loop = Chain(load=np.zeros(10), roles=("flow", "plc_flow")).site().loops["TB-07"]
    path = chain_of(loop)[0]
    sharp, floor = np.diag([0.02**2, 0.0002**2]), floor_covariance(path, ANALOGUE_FLOOR)
    odds = {}
    for name, covariance in (("without", sharp), ("with", sharp + floor)):
        measured = Measured(offset=0.1, gain=0.10231 + 0.0011, covariance=covariance)
        ranked = rank(path, loop, measured, output_agrees=False, factors={})
        odds[name] = next(item.odds for item in ranked if item.cause == "ton-unit")
    print("odds of the ton", {name: round(value, 4) for name, value in odds.items()})
    assert odds["without"] < 0.05
    assert odds["with"] > 3.0
