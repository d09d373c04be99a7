"""Ends of the range: what is a sign and what is an honest chain near its limits."""

from __future__ import annotations

import numpy as np
import pytest

from checks.edge_findings import findings, loss_stands
from checks.scaling import check
from tests.checks.simulation import ALL_ROLES, START, Chain, steady_load, swinging_load

PATH = tuple(role for role in ALL_ROLES if role not in ("ai_raw", "gauge_output"))
HOUR = 3600
RNG_SEED = 91


def causes(chain: Chain) -> list[str]:
    window = chain.window()
    return [finding.cause for finding in findings(window, check(window))]


def swinging(seconds: int = HOUR) -> np.ndarray:
    return swinging_load(np.random.default_rng(RNG_SEED), seconds)


def test_sound_chains_have_none_also_near_the_top_and_behind_a_declared_filter() -> None:
    near = steady_load(np.random.default_rng(RNG_SEED), HOUR, 360.0, 40.0)
    for chain in (
        Chain(load=swinging()),
        Chain(load=near, plc_of=lambda flow: np.minimum(flow, 420.0)),
        Chain(load=swinging(), plc_filter=30.0, roles=PATH),
        Chain(load=swinging(), lag_s=13, roles=PATH),
        Chain(load=swinging(), clamp_at_zero=True),
        Chain(load=swinging(), low_cutoff=8.4),
    ):
        assert causes(chain) == []


def test_load_beyond_the_range_is_told_with_the_tonnes_that_were_lost() -> None:
    heavy = steady_load(np.random.default_rng(RNG_SEED), HOUR, 430.0, 30.0)
    window = Chain(load=heavy, plc_of=lambda flow: np.minimum(flow, 420.0)).window()
    (finding,) = findings(window, check(window))
    assert finding.cause == "over-range"
    assert finding.tonnes is not None
    assert finding.tonnes < 0.0


def test_ceiling_is_told_in_ma_from_its_onset() -> None:
    window = Chain(load=swinging(), current_of=lambda ma: np.minimum(ma, 13.0), fault_from=1300).window()
    (finding,) = findings(window, check(window))
    assert finding.cause == "compliance-ceiling"
    assert finding.evidence[0].value == pytest.approx(13.0, abs=0.02)
    assert finding.begin_interval[0] - START <= 1500


@pytest.mark.parametrize(("dips", "named"), [(False, []), (True, ["compliance-ceiling"])])
def test_current_that_stands_is_a_ceiling_only_once_the_flow_was_seen_below_it_since(dips: bool, named: list[str]) -> None:
    """13 mA is 236 t/h of 420: an output that is held there shows the same under a flow that has not come down to it yet."""
    load = np.where(np.arange(HOUR) < 1300, 150.0, 320.0) + 25.0 * np.sin(np.arange(HOUR) / 60.0)
    load = np.where((np.arange(HOUR) > 2400) & (np.arange(HOUR) < 2700), load - 170.0, load) if dips else load
    assert causes(Chain(load=load, current_of=lambda ma: np.minimum(ma, 13.0), fault_from=1200)) == named


def test_ceiling_that_was_lifted_is_over() -> None:
    lifted = np.arange(HOUR) >= 2600
    column = Chain(load=swinging(), current_of=lambda ma: np.minimum(ma, 13.0)).samples().values["ai_raw"]
    chain = Chain(load=swinging(), override={"ai_raw": lambda raw: np.where(lifted, raw, column)}, roles=(*PATH, "ai_raw"))
    assert "compliance-ceiling" not in causes(chain)


def test_fault_of_the_range_is_no_ceiling() -> None:
    assert causes(Chain(load=swinging(), gauge_range=(0.0, 500.0), fault_from=1200)) == []


def test_loss_of_peaks_stands_until_it_is_half_of_its_limit_and_does_not_chatter() -> None:
    running = np.ones(600, np.bool_)
    about = np.where(np.arange(600) % 60 < 30, 1.7, 2.2)
    assert not loss_stands(about, running, 60, 2.0)
    assert loss_stands(np.concatenate([np.full(100, 2.5), about[:500]]), running, 60, 2.0)
    gone = np.concatenate([np.full(300, 2.5), np.full(300, 0.5)])
    assert not loss_stands(gone, running, 60, 2.0)
