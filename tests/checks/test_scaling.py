"""The residual ladder on chains of known truth: sound ones agree, faults are seen within a minute and fitted within their errors."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from checks import shape
from checks.result import CheckResult, Link, Verdict
from checks.scaling import check
from tests.checks.simulation import ALL_ROLES, START, Chain, steady_load, swinging_load

Floats = NDArray[np.float64]
WITHOUT_RAW = tuple(role for role in ALL_ROLES if role not in ("ai_raw", "gauge_output"))
HOUR = 3600


@cache
def load(name: str, seconds: int = HOUR, seed: int = 3) -> Floats:
    rng = np.random.default_rng(seed)
    return {
        "steady": lambda: steady_load(rng, seconds),
        "calm": lambda: steady_load(rng, seconds, 260.0, 5.0),
        "rough": lambda: steady_load(rng, seconds, 260.0, 50.0),
        "near the top": lambda: steady_load(rng, seconds, 360.0, 40.0),
        "swinging": lambda: swinging_load(rng, seconds),
    }[name]()


def at(chain: Chain, link: Link, end: int | None = None) -> CheckResult:
    return next(result for result in check(chain.window(end)) if result.link is link)


LOADS = ("calm", "steady", "rough", "near the top", "swinging")


@pytest.mark.parametrize("name", LOADS)
@pytest.mark.parametrize("lag_s", [2, 13])
def test_sound_chain_agrees_whatever_the_lag(name: str, lag_s: int) -> None:
    results = check(Chain(load=load(name), lag_s=lag_s).window())
    assert [result.link for result in results] == [Link.GAUGE_OUTPUT, Link.INPUT_CARD, Link.SCALING_BLOCK]
    assert {result.verdict for result in results} == {Verdict.OK}, [result.reason for result in results]


@pytest.mark.parametrize("name", LOADS)
@pytest.mark.parametrize("tau", [20.0, 60.0])
@pytest.mark.parametrize("declared", [True, False])
def test_sound_chain_agrees_behind_a_filter_declared_or_not(name: str, tau: float, declared: bool) -> None:
    chain = Chain(load=load(name), plc_filter=tau, declared_filter=tau if declared else 0.0, roles=WITHOUT_RAW)
    result = at(chain, Link.SCALING_BLOCK)
    assert result.verdict is Verdict.OK, result.reason


@pytest.mark.parametrize("name", ["steady", "swinging"])
def test_sound_chain_with_clamp_and_cut_off_agrees(name: str) -> None:
    for chain in (
        Chain(load=load(name), clamp_at_zero=True, roles=WITHOUT_RAW),
        Chain(load=load(name), low_cutoff=8.4, roles=WITHOUT_RAW),
        Chain(load=load(name), plc_of=lambda flow: np.minimum(flow, 420.0), roles=WITHOUT_RAW),
    ):
        result = at(chain, Link.SCALING_BLOCK)
        assert result.verdict is Verdict.OK, result.reason


@pytest.mark.statistical
def test_slope_behind_two_seconds_of_lag_is_one_to_two_thousandths() -> None:
    slopes = []
    for seed in range(8):
        swinging = swinging_load(np.random.default_rng(50 + seed), HOUR)
        result = at(Chain(load=swinging, seed=seed, roles=WITHOUT_RAW), Link.SCALING_BLOCK)
        slopes.append(1.0 + result.facts["gain"])
    print("slopes", np.round(slopes, 5))
    assert np.abs(np.array(slopes) - 1.0).max() < 0.002


@pytest.mark.parametrize("tau", [20.0, 60.0])
def test_slope_and_lag_behind_an_unseen_filter_are_true(tau: float) -> None:
    result = at(
        Chain(load=load("swinging", 2 * HOUR), plc_filter=tau, declared_filter=0.0, roles=WITHOUT_RAW), Link.SCALING_BLOCK
    )
    assert 1.0 + result.facts["gain"] == pytest.approx(1.0, abs=0.002)
    assert result.facts["fit_lag_s"] == pytest.approx(tau + 1.0, abs=2.5)


@pytest.mark.parametrize(
    ("gauge", "plc", "link"), [((0.0, 500.0), (0.0, 420.0), Link.INPUT_CARD), ((0.0, 420.0), (0.0, 400.0), Link.SCALING_BLOCK)]
)
@pytest.mark.parametrize("name", ["steady", "rough"])
def test_changed_range_is_a_fault_within_60_s_on_a_loaded_belt(
    gauge: tuple[float, float], plc: tuple[float, float], link: Link, name: str
) -> None:
    chain = Chain(load=load(name), gauge_range=gauge, plc_range=plc, fault_from=1805)
    result = at(chain, link, 1860)
    assert result.verdict is Verdict.FAULT
    assert result.facts["onset_low"] - START <= 1805 <= result.facts["onset_high"] - START + 10
    assert result.facts["gate_minutes"] > 0.0
    assert "more minutes below" in result.needs[0]


def test_line_before_a_changed_block_still_agrees() -> None:
    chain = Chain(load=load("steady"), plc_range=(0.0, 400.0), fault_from=1805)
    assert at(chain, Link.INPUT_CARD).verdict is Verdict.OK
    assert at(chain, Link.GAUGE_OUTPUT).verdict is Verdict.OK


FAULTS: dict[str, tuple[dict[str, object], float, float]] = {
    "gauge 0-500": ({"gauge_range": (0.0, 500.0)}, 0.84, 4.0),
    "gauge from -20": ({"gauge_range": (-20.0, 420.0)}, 420 / 440, 20.0),
    "20 kohm leak": ({"current_of": lambda ma: ma * 20.0 / 20.25}, 20 / 20.25, 0.0),
    "card 0-20": ({"raw_of": lambda raw: 27648.0 * 0.2 + 0.8 * raw}, 0.8, 20.0),
}


@pytest.mark.parametrize("name", FAULTS)
def test_fault_is_fitted_with_its_slope_pivot_and_onset(name: str) -> None:
    changes, slope, pivot_ma = FAULTS[name]
    chain = Chain(load=load("swinging"), fault_from=1500, **changes)  # type: ignore[arg-type]
    facts = at(chain, Link.INPUT_CARD).facts
    error = np.sqrt(facts["v_gg"] + facts["s_gg"])
    assert abs(1.0 + facts["gain"] - slope) < 3.0 * error
    assert facts["pivot_ma"] == pytest.approx(pivot_ma, abs=1.2)
    assert facts["pivot_low"] < facts["pivot"] < facts["pivot_high"]
    assert facts["gate_minutes"] == 0.0
    assert facts["onset"] - START == pytest.approx(1500, abs=20)


def test_offset_of_0_3_ma_is_a_parallel_line() -> None:
    facts = at(Chain(load=load("swinging"), fault_from=1200, current_of=lambda ma: ma + 0.3), Link.INPUT_CARD).facts
    assert facts["offset"] == pytest.approx(0.3 / 16.0 * 420.0, abs=0.4)
    assert abs(facts["gain"]) < 3.0 * np.sqrt(facts["v_gg"] + facts["s_gg"])
    assert facts["gate_minutes"] == 0.0


def test_steady_load_leaves_the_gate_closed_and_says_what_is_needed() -> None:
    chain = Chain(load=load("calm"), fault_from=1200, current_of=lambda ma: ma * 20.0 / 20.25)
    result = at(chain, Link.INPUT_CARD)
    assert result.verdict is Verdict.FAULT
    assert result.facts["gate_minutes"] > 0.0
    assert "t/h to name the cause" in result.needs[0]


def test_square_root_is_bent_before_any_pivot_is_read() -> None:
    chain = Chain(load=load("swinging"), plc_of=lambda flow: 420.0 * np.sqrt(np.maximum(flow, 0.0) / 420.0))
    facts = at(chain, Link.SCALING_BLOCK).facts
    assert facts["model"] == shape.POWER
    assert facts["exponent"] == pytest.approx(0.5, abs=0.03)


def test_ceiling_of_13_ma_is_a_ceiling() -> None:
    chain = Chain(load=load("swinging"), current_of=lambda ma: np.minimum(ma, 13.0))
    facts = at(chain, Link.INPUT_CARD).facts
    assert facts["model"] == shape.HINGE
    assert facts["ceiling"] == pytest.approx(9.0 / 16.0 * 420.0, abs=1.5)


def test_ramps_and_stops_are_never_a_fault() -> None:
    t = np.arange(HOUR)
    saw = np.where((t // 300) % 2 == 0, 300.0, 20.0)
    running = ((t % 900) < 700).astype(float)
    for lag_s, tau in ((2, 0.0), (9, 20.0)):
        chain = Chain(
            load=saw * running, lag_s=lag_s, plc_filter=tau, declared_filter=0.0, roles=WITHOUT_RAW,
            override={"drive_running": lambda _: running},
        )  # fmt: skip
        for end in range(120, HOUR, 150):
            result = at(chain, Link.SCALING_BLOCK, end)
            assert result.verdict is not Verdict.FAULT, (end, result.reason)


def test_fault_of_half_a_day_ago_still_stands_with_its_begin_and_its_slope() -> None:
    chain = Chain(load=load("swinging", 24 * HOUR), gauge_range=(0.0, 500.0), fault_from=40_000)
    result = at(chain, Link.INPUT_CARD)
    assert result.verdict is Verdict.FAULT
    assert 1.0 + result.facts["gain"] == pytest.approx(0.84, abs=0.005)
    assert result.facts["onset_low"] - START - 200 <= 40_000 <= result.facts["onset_high"] - START + 200


def test_repair_is_seen_within_two_minutes() -> None:
    chain = Chain(load=load("steady"), plc_range=(0.0, 400.0))
    samples_broken = chain.samples()
    sound = Chain(load=load("steady")).samples().values["plc_flow"]
    column = np.where(np.arange(HOUR) < 2400, samples_broken.values["plc_flow"], sound)
    repaired = Chain(load=load("steady"), override={"plc_flow": lambda _: column})
    assert at(repaired, Link.SCALING_BLOCK, 2400).verdict is Verdict.FAULT
    assert at(repaired, Link.SCALING_BLOCK, 2520).verdict is Verdict.OK


def test_missing_readings_are_not_evaluated_and_say_what_is_needed() -> None:
    result = at(Chain(load=load("steady"), override={"plc_flow": lambda flow: np.full_like(flow, np.nan)}), Link.SCALING_BLOCK)
    assert result.verdict is Verdict.NOT_EVALUATED
    assert "plc_flow" in result.needs[0]


def test_all_facts_are_finite_numbers() -> None:
    for chain in (Chain(load=load("calm")), Chain(load=load("swinging"), gauge_range=(0.0, 500.0), fault_from=1200)):
        for result in check(chain.window()):
            assert all(np.isfinite(value) for value in result.facts.values())
