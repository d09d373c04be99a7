"""Every event that the tags show stands in the ledger, with old and new value and at its second; nothing else does."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.samples import FLAG_CLOCK_STEP, Samples
from checks.state import StateReader
from config.roles import ROLES, Kind
from tests.checks.runs_of_terminal import BEGIN, run_of, samples_by_hand, small_site

AT, N = 40, 120
PARAMETERS = {
    "gauge_range_low": (0.0, 20.0), "gauge_range_high": (420.0, 500.0), "gauge_unit": (4534584.0, 4404276.0),
    "nuclide_code": (137.0, 60.0), "background_rate": (60.0, 45.0), "gauge_output_mode": (0.0, 1.0),
    "plc_range_low": (0.0, -50.0), "plc_range_high": (420.0, 400.0), "plc_unit": (4534584.0, 4404276.0),
    "plc_block_mode": (0.0, 1.0),
}  # fmt: skip
Entry = tuple[str, str, int, float | None, float | None]


def events(columns: dict[str, Any], *, flags: Any = None, chunks: tuple[int, ...] = ()) -> list[Entry]:
    samples = samples_by_hand({"flow": np.full(len(next(iter(columns.values()))), 50.0), **columns})
    if flags is not None:
        samples.flags[:] = flags
    reader = StateReader(small_site(tuple(samples.values)).loops["TB-07"])
    cuts = pairwise([0, *chunks, len(samples)])
    ledger = [entry for a, b in cuts for entry in reader.push(samples[slice(a, b)]).ledger]
    return [(entry.kind, entry.role, entry.time_s - BEGIN, entry.old, entry.new) for entry in ledger]


def step(old: float, new: float) -> np.ndarray:
    return np.where(np.arange(N) < AT, old, new)


def test_every_setting_is_followed() -> None:
    followed = {*PARAMETERS, "empty_belt_rate", "product"}
    assert followed == {role for role, entry in ROLES.items() if entry.kind is Kind.SETTING} - {"gauge_status"}


@pytest.mark.parametrize("role", PARAMETERS)
def test_setting_that_changes_is_a_parameter_change_with_old_and_new(role: str) -> None:
    old, new = PARAMETERS[role]
    assert events({role: step(old, new)}) == [("parameter-change", role, AT, old, new)]


def test_empty_belt_rate_that_changes_is_a_tare() -> None:
    assert events({"empty_belt_rate": step(5200.0, 5180.0)}) == [("tare", "empty_belt_rate", AT, 5200.0, 5180.0)]


def test_product_that_changes() -> None:
    assert events({"product": step(1.0, 2.0)}) == [("product-change", "product", AT, 1.0, 2.0)]


def test_setting_that_is_lost_for_a_while_and_comes_back_is_no_change() -> None:
    column = np.full(N, 420.0)
    column[AT : AT + 20] = np.nan
    assert events({"plc_range_high": column}) == []


@pytest.mark.parametrize(("role", "kind"), [("calibrating", "calibration"), ("maintenance", "bypass"), ("plc_forced", "force")])
def test_begin_and_end_of_what_a_bit_says(role: str, kind: str) -> None:
    bit = np.zeros(N)
    bit[AT : AT + 30] = 1.0
    assert events({role: bit}) == [(kind, role, AT, 0.0, 1.0), (kind, role, AT + 30, 1.0, 0.0)]


def test_gauge_that_restarts_by_its_uptime() -> None:
    uptime = np.where(np.arange(N) < AT, 90_000.0 + np.arange(N), np.arange(N) - AT)
    assert [entry[:3] for entry in events({"gauge_uptime": uptime})] == [("gauge-restart", "gauge_uptime", AT)]


def test_plc_that_restarts_by_its_heartbeat() -> None:
    beat = np.where(np.arange(N) < AT, 7_000.0 + np.arange(N), np.arange(N) - AT)
    assert events({"plc_heartbeat": beat}) == [("plc-restart", "plc_heartbeat", AT, 7_000.0 + AT - 1, 0.0)]


def test_plc_whose_heartbeat_leaps_ahead_is_another_one() -> None:
    beat = np.arange(N) + np.where(np.arange(N) < AT, 100.0, 30_000.0)
    assert [entry[:3] for entry in events({"plc_heartbeat": beat})] == [("plc-restart", "plc_heartbeat", AT)]


@pytest.mark.parametrize(
    "beat",
    [
        (65_500.0 + np.arange(N)) % 65_536, (32_750.0 + np.arange(N)) % 32_768, (9_950.0 + np.arange(N)) % 10_000,
        np.arange(N) % 2, np.arange(N) % 60, (250.0 + np.arange(N)) % 256, 1000.0 * np.arange(N), np.full(N, 500.0),
        np.repeat(700.0 + 10 * np.arange(N // 10), 10), np.where(np.arange(N) % 50 < 30, np.nan, 300.0 + np.arange(N)),
        1e6 - np.arange(N),
    ],
    ids=["16 bit", "15 bit", "10000", "toggle", "60", "8 bit", "ms", "stands", "slow poll", "gaps", "counts down"],
)  # fmt: skip
def test_heartbeat_that_only_starts_again_is_no_restart(beat: np.ndarray) -> None:
    assert events({"plc_heartbeat": beat}) == []


def test_gauge_clock_that_is_set_gives_the_offset_before_and_after() -> None:
    clock = BEGIN + np.arange(N) + step(2.0, -3600.0)
    assert events({"gauge_clock": clock}) == [("clock-step", "gauge_clock", AT, 2.0, -3600.0)]


@pytest.mark.parametrize("period", [1, 10, 60])
def test_gauge_clock_that_is_read_slowly_or_late_does_not_step(period: int) -> None:
    late = (np.arange(N) - 7) // period * period
    assert events({"gauge_clock": BEGIN + late}) == []


def test_step_of_our_own_clock_is_not_laid_on_the_gauge() -> None:
    flags = np.zeros(N, np.uint8)
    flags[AT - 2 : AT + 1] = FLAG_CLOCK_STEP
    found = events({"gauge_clock": BEGIN + np.arange(N) + step(0.0, 30.0)}, flags=flags)
    assert found == [("clock-step", "", AT - 2, None, None)]


def test_sound_loop_of_the_terminal_has_no_event_but_belt_starts_and_stops() -> None:
    for loop in ("TB-07", "TB-08", "TB-09"):
        samples = run_of(loop, 2.0, seed=3)
        reader = StateReader(small_site(tuple(samples.values)).loops["TB-07"])
        assert {entry.kind for entry in reader.push(samples).ledger} <= {"belt-start", "belt-stop"}


def rough(seed: int) -> Samples:
    rng = np.random.default_rng(seed)
    steps = rng.choice([0.0, 1.0, 1.0, 1.0, 500.0, -300.0], N)
    clock = BEGIN + np.arange(N) + np.repeat(rng.choice([0.0, 3.0, 60.0, np.nan], N // 10), 10)
    bit = np.repeat(rng.choice([0.0, 1.0, np.nan], N // 10), 10)
    samples = samples_by_hand(
        {"flow": np.full(N, 50.0), "plc_heartbeat": 4000.0 + steps.cumsum(), "gauge_clock": clock, "plc_forced": bit}
    )
    samples.flags[:] = np.repeat(rng.choice([0, FLAG_CLOCK_STEP], N // 10, p=[0.8, 0.2]), 10)
    return samples


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 6), st.lists(st.integers(0, N), max_size=12))
def test_chunks_do_not_matter(seed: int, cuts: list[int]) -> None:
    samples = rough(seed)
    loop = small_site(tuple(samples.values)).loops["TB-07"]
    pieces = StateReader(loop)
    parts = [pieces.push(samples[slice(a, b)]) for a, b in pairwise([0, *sorted(cuts), N])]
    assert [entry for part in parts for entry in part.ledger] == list(StateReader(loop).push(samples).ledger)
