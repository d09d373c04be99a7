"""Which stations are compared, on which scale, and which rows may serve."""

from __future__ import annotations

import numpy as np
import pytest

from checks.lines import chain, ranges, rows_of
from checks.result import Link
from config.model import FlowRange, Gauge, Loop, Plc, RawSpan, RecordedTag
from tests.checks.runs_of_terminal import samples_by_hand, small_site, window_of
from tests.checks.simulation import ALL_ROLES, Chain, build, steady_load


def loop_of(*roles: str, independent: bool = False) -> Loop:
    return Loop(
        gauge=Gauge(range=FlowRange(high=420.0)), plc=Plc(range=FlowRange(high=420.0)),
        tags={role: RecordedTag(independent=independent and role == "loop_current") for role in ("flow", *roles)},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("roles", "independent", "links"),
    [
        (("plc_flow",), False, [Link.SCALING_BLOCK]),
        (("ai_raw", "plc_flow"), False, [Link.INPUT_CARD, Link.SCALING_BLOCK]),
        (("loop_current", "plc_flow"), False, [Link.INPUT_CARD, Link.SCALING_BLOCK]),
        (("loop_current", "plc_flow"), True, [Link.CURRENT, Link.SCALING_BLOCK]),
        (("loop_current", "ai_raw", "plc_flow"), True, [Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK]),
        (("gauge_output", "plc_flow"), False, [Link.GAUGE_OUTPUT, Link.SCALING_BLOCK]),
        ((), False, []),
    ],
)
def test_lines_follow_the_roles(roles: tuple[str, ...], independent: bool, links: list[Link]) -> None:
    assert [line.link for line in chain(loop_of(*roles, independent=independent))] == links


def test_without_raw_counts_the_wording_leaves_the_whole_path_open() -> None:
    (line,) = chain(loop_of("plc_flow"))
    assert set(line.covers) == {Link.GAUGE_OUTPUT, Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK}
    assert "whole path" in line.words
    assert chain(loop_of("ai_raw"))[0].words == "output, loop or card"


def test_scales_put_12_ma_and_half_the_raw_span_at_mid_range() -> None:
    card = chain(loop_of("ai_raw"))[0]
    assert card.y.gain * 13824.0 + card.y.offset == pytest.approx(210.0)
    assert card.native(210.0) == pytest.approx(13824.0)
    assert card.ma(260.0) == pytest.approx(13.905, abs=0.0005)
    output = chain(loop_of("gauge_output"))[0]
    assert output.native(260.0) == pytest.approx(13.905, abs=0.0005)


def test_ranges_read_back_alike_at_both_ends_hold_over_the_site_file() -> None:
    loop = loop_of("plc_flow")
    alike = {"gauge_range_low": 0.0, "gauge_range_high": 500.0, "plc_range_low": 0.0, "plc_range_high": 500.0}
    assert [item.high for item in ranges(loop, alike)] == [500.0, 500.0]
    assert [item.high for item in ranges(loop, alike | {"plc_range_high": 420.0})] == [420.0, 420.0]
    assert [item.high for item in ranges(loop, {"gauge_range_high": 500.0})] == [420.0, 420.0]


def test_rows_at_the_top_are_marked_and_a_flow_far_above_the_range_is_no_limit() -> None:
    rng = np.random.default_rng(71)
    chain_near = Chain(load=steady_load(rng, 1200, 400.0, 30.0), plc_of=lambda flow: np.minimum(flow, 420.0))
    window = chain_near.window()
    line = chain(window.loop)[-1]
    rows = rows_of(line, window.blocks, window.loop)
    assert 0 < rows.high.sum() < len(rows)
    times = Chain(load=steady_load(rng, 1200, 200.0, 10.0), plc_of=lambda flow: flow * 3.6)
    window = times.window()
    rows = rows_of(chain(window.loop)[-1], window.blocks, window.loop)
    assert not rows.high.any()


def test_exact_zeros_of_a_clamp_are_marked_as_censored() -> None:
    load = np.concatenate([np.zeros(600), np.full(600, 200.0)])
    window = Chain(load=load, clamp_at_zero=True).window()
    rows = rows_of(chain(window.loop)[-1], window.blocks, window.loop)
    touched = rows.y_min[:59] == 0.0
    assert touched.sum() > 30
    assert rows.low[:59][touched].all()
    assert not rows.low[66:].any()


def test_rows_without_enough_good_readings_do_not_serve() -> None:
    samples = Chain(load=np.full(120, 200.0), roles=ALL_ROLES).samples()
    samples.values["plc_flow"][20:24] = np.nan
    site = Chain(load=np.full(10, 1.0)).site()
    loop = site.loops["TB-07"]
    rows = rows_of(chain(loop)[-1], build(samples, loop, 10), loop)
    assert rows.good.tolist() == [True, True, False, *([True] * 9)]


@pytest.mark.parametrize(("raw_high", "limited"), [(27_648.0, False), (32_767.0, True), (65_535.0, True), (4_095.0, True)])
def test_card_whose_span_ends_at_its_last_code_is_limited_at_20_ma(raw_high: float, limited: bool) -> None:
    samples = samples_by_hand({"flow": np.full(60, 419.5), "ai_raw": np.full(60, raw_high)})
    window = window_of(samples, small_site(("flow", "ai_raw")))
    loop = window.loop.model_copy(update={"plc": Plc(range=FlowRange(high=420.0), raw_span=RawSpan(low=0.0, high=raw_high))})
    (line,) = chain(loop)
    assert bool(rows_of(line, window.blocks, loop).high.all()) is limited


@pytest.mark.parametrize(("raw_high", "held"), [(27_648.0, False), (32_767.0, False), (65_535.0, True)])
def test_card_without_a_code_below_zero_shows_no_flow_below_its_range(raw_high: float, held: bool) -> None:
    """The noise of an empty belt comes through its upper half only: that is no offset."""
    samples = samples_by_hand({"flow": np.tile([-1.0, 1.0], 30), "plc_flow": np.tile([0.0, 1.0], 30)})
    window = window_of(samples, small_site(("flow", "plc_flow")))
    loop = window.loop.model_copy(update={"plc": Plc(range=FlowRange(high=420.0), raw_span=RawSpan(low=0.0, high=raw_high))})
    (line,) = chain(loop)
    assert bool(rows_of(line, window.blocks, loop).declared_low.all()) is held
