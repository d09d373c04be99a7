"""What the belt does, per sample: no chatter, nothing guessed, the same for any chunks."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.samples import FLAG_CLOCK_STEP, Samples
from checks.state import EMPTY, LOADED, STOPPED, UNKNOWN, StateReader, empty_below
from config.limits import Limits
from tests.checks.runs_of_terminal import BEGIN, samples_by_hand, small_site

ROLES = ("flow", "speed", "drive_running", "maintenance", "calibrating", "product", "gauge_uptime", "empty_belt_rate")


def reader(*roles: str, limits: Limits | None = None) -> StateReader:
    return StateReader(small_site(roles, limits=limits).loops["TB-07"])


def test_empty_limit_is_2_per_cent_of_the_span_unless_declared() -> None:
    assert empty_below(small_site(["flow"]).loops["TB-07"]) == pytest.approx(8.4)
    assert empty_below(small_site(["flow"], limits=Limits(empty_below=5.0)).loops["TB-07"]) == 5.0


def test_drive_decides_before_speed_and_flow() -> None:
    samples = samples_by_hand(
        {"flow": [100.0, 100.0, 100.0, 0.0], "speed": [1.9, 0.0, 1.9, 1.9], "drive_running": [0.0, 1.0, np.nan, 1.0]}
    )
    states = reader("flow", "speed", "drive_running").push(samples)
    assert states.belt.tolist() == [STOPPED, LOADED, LOADED, EMPTY]


def test_without_drive_and_speed_flow_tells_a_loaded_belt_and_nothing_else() -> None:
    states = reader("flow").push(samples_by_hand({"flow": [100.0, 0.0, np.nan]}))
    assert states.belt.tolist() == [LOADED, UNKNOWN, UNKNOWN]


def test_drive_tag_that_is_bad_for_a_while_is_not_guessed() -> None:
    samples = samples_by_hand({"flow": [100.0] * 3, "drive_running": [1.0, np.nan, 1.0]})
    assert reader("flow", "drive_running").push(samples).belt.tolist() == [LOADED, UNKNOWN, LOADED]


def test_noise_at_the_empty_limit_does_not_chatter() -> None:
    rng = np.random.default_rng(8)
    flow = 8.4 + rng.normal(0.0, 1.2, 3000)
    flow[:10], flow[-10:] = 0.0, 100.0
    belt = reader("flow", "speed").push(samples_by_hand({"flow": flow, "speed": np.full(3000, 1.9)})).belt
    assert np.count_nonzero(np.diff(flow > 8.4)) > 1000
    assert np.count_nonzero(np.diff(belt)) <= 4


def test_shutter_that_is_said_to_close_is_noted_and_unsettles_nothing() -> None:
    shut = np.zeros(200)
    shut[60:120] = 1.0
    roles = ("flow", "shutter_closed")
    states = reader(*roles).push(samples_by_hand({"flow": np.full(200, 50.0), "shutter_closed": shut}))
    assert [(e.kind, e.time_s - BEGIN, e.new) for e in states.ledger] == [("shutter", 60, 1.0), ("shutter", 120, 0.0)]
    assert not states.unsettled.any()


def test_start_up_restart_and_product_change_unsettle_for_the_settle_time() -> None:
    n = 400
    drive, product, uptime = np.ones(n), np.ones(n), 1e6 + np.arange(n, dtype=float)
    drive[:50], product[150:], uptime[280:] = 0.0, 2.0, np.arange(n - 280)
    states = reader(*ROLES).push(
        samples_by_hand({"flow": np.full(n, 100.0), "drive_running": drive, "product": product, "gauge_uptime": uptime})
    )
    unsettled = np.flatnonzero(np.diff(np.concatenate([[False], states.unsettled, [False]]).astype(int)))
    assert unsettled.tolist() == [50, 110, 150, 210, 280, 340]
    kinds = [(entry.kind, entry.time_s - BEGIN) for entry in states.ledger]
    assert kinds == [("belt-start", 50), ("product-change", 150), ("gauge-restart", 280)]


def test_setting_that_changes_is_told_with_old_and_new() -> None:
    rate = np.full(60, 5200.0)
    rate[20:], rate[5] = 5180.0, np.nan
    states = reader(*ROLES).push(samples_by_hand({"flow": np.full(60, 1.0), "empty_belt_rate": rate}))
    assert [(e.kind, e.role, e.old, e.new) for e in states.ledger] == [("tare", "empty_belt_rate", 5200.0, 5180.0)]


def test_maintenance_is_told_from_begin_to_end() -> None:
    bit = np.zeros(200)
    bit[20:100] = 1.0
    states = reader(*ROLES).push(samples_by_hand({"flow": np.full(200, 50.0), "maintenance": bit}))
    assert states.maintenance.sum() == 80
    assert [(e.kind, e.time_s - BEGIN, e.new) for e in states.ledger] == [("bypass", 20, 1.0), ("bypass", 100, 0.0)]
    assert states.unsettled[100:160].all()


def test_clock_step_is_told_once_for_each_flagged_stretch() -> None:
    samples = samples_by_hand({"flow": np.full(40, 50.0)})
    samples.flags[10:13] = FLAG_CLOCK_STEP
    state = reader("flow")
    first, second = state.push(samples[slice(0, 12)]), state.push(samples[slice(12, 40)])
    assert [(e.kind, e.time_s - BEGIN) for e in (*first.ledger, *second.ledger)] == [("clock-step", 10)]


def rough(seed: int) -> Samples:
    rng = np.random.default_rng(seed)
    n = 300

    def bits() -> np.ndarray:
        return np.repeat(rng.choice([0.0, 1.0, np.nan], n // 10, p=[0.3, 0.6, 0.1]), 10)

    uptime = np.where(np.arange(n) > 170, np.arange(n), 5000.0 + np.arange(n))
    return samples_by_hand(
        {"flow": rng.normal(9.0, 5.0, n), "speed": np.full(n, 1.9), "drive_running": bits(), "maintenance": bits(),
         "calibrating": bits(), "product": bits(), "gauge_uptime": uptime, "empty_belt_rate": 5000.0 + bits()}
    )  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 5), st.lists(st.integers(0, 300), max_size=30))
def test_chunks_do_not_matter(seed: int, cuts: list[int]) -> None:
    samples = rough(seed)
    whole = reader(*ROLES).push(samples)
    pieces = reader(*ROLES)
    parts = [pieces.push(samples[slice(a, b)]) for a, b in pairwise([0, *sorted(cuts), 300])]
    for name in ("belt", "maintenance", "calibrating", "unsettled"):
        joined = np.concatenate([getattr(part, name) for part in parts])
        np.testing.assert_array_equal(joined, getattr(whole, name), err_msg=name)
    assert [entry for part in parts for entry in part.ledger] == list(whole.ledger)
