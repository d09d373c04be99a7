"""Blocks: the same to the byte for any chunks, right by a plain recomputation, gaps and coarse steps counted."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.blocks import ARRAYS, STATES, Blocks
from checks.build import BlockBuilder
from checks.merge import concat
from checks.samples import Samples, join
from checks.window import LedgerEntry
from config.model import Site
from deploy.plant.model import Switch
from tests.checks.runs_of_terminal import BEGIN, changed, run_of, samples_by_hand, small_site, terminal

ROLES = ("flow", "plc_flow", "speed", "count_rate", "gauge_total", "plc_total", "drive_running", "ai_raw")


def built(samples: Samples, site: Site, cuts: list[int]) -> tuple[Blocks, list[object]]:
    builder = BlockBuilder(site, samples.loop, samples.step_s)
    edges = [0, *sorted(cuts), len(samples)]
    parts = [builder.push(samples[slice(a, b)]) for a, b in pairwise(edges)]
    return concat(parts), list(builder.ledger)


def same_bytes(a: Blocks, b: Blocks) -> bool:
    return all(getattr(a, name).tobytes() == getattr(b, name).tobytes() for name in ARRAYS)


def rough_run() -> Samples:
    """Twenty minutes with everything in them: holes, bad readings, a stop, resets, a rollover and a transient."""
    samples = run_of("TB-09", 1 / 3, seed=11, faults=[Switch("shutter-closed", 0.05, 0.07)])
    n = len(samples)

    def total(values: np.ndarray) -> np.ndarray:
        values[300:] -= values[300]
        values[700] = 0.0
        return values

    def holes(values: np.ndarray) -> np.ndarray:
        values[100:104] = np.nan
        values[650:720] = np.nan
        return values

    samples = changed(
        samples, plc_total=total, flow=holes, count_rate=holes, plc_flow=lambda v: np.roll(holes(v), 3),
        drive_running=lambda v: np.where((np.arange(n) > 800) & (np.arange(n) < 900), 0.0, v),
        product=lambda v: np.where(np.arange(n) > 500, v + 1, v),
    )  # fmt: skip
    return join([samples[slice(0, 415)], samples[slice(433, 950)], samples[slice(1001, n)]])


ROUGH = rough_run()
WHOLE, WHOLE_LEDGER = built(ROUGH, terminal(), [])


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, len(ROUGH)), max_size=40))
def test_any_chunks_give_the_same_blocks_and_ledger_to_the_byte(cuts: list[int]) -> None:
    blocks, ledger = built(ROUGH, terminal(), cuts)
    assert same_bytes(blocks, WHOLE)
    assert ledger == WHOLE_LEDGER


def test_one_sample_at_a_time_gives_the_same_blocks_to_the_byte() -> None:
    blocks, ledger = built(ROUGH, terminal(), list(range(1, len(ROUGH))))
    assert same_bytes(blocks, WHOLE)
    assert ledger == WHOLE_LEDGER


def test_moments_agree_with_numpy_over_the_same_seconds() -> None:
    for row in (0, 7, 40, 80):
        start = int(WHOLE.start_s[row])
        part = ROUGH[slice(*np.searchsorted(ROUGH.time_s, [start, start + 10]))]
        for role in ("flow", "plc_flow", "ai_raw"):
            values = part.column(role)
            good = values[np.isfinite(values)]
            assert WHOLE.of("n", role)[row] == len(good)
            if len(good):
                assert WHOLE.of("mean", role)[row] == pytest.approx(good.mean(), rel=1e-12)
                assert WHOLE.of("m2", role)[row] == pytest.approx(((good - good.mean()) ** 2).sum(), rel=1e-9, abs=1e-9)
                assert WHOLE.of("maximum", role)[row] == good.max()
                assert (WHOLE.of("first", role)[row], WHOLE.of("last", role)[row]) == (good[0], good[-1])
    pair = WHOLE.pairs.index(("flow", "plc_flow"))
    part = ROUGH[slice(*np.searchsorted(ROUGH.time_s, [WHOLE.start_s[3], WHOLE.start_s[3] + 10]))]
    x, y = part.column("flow"), part.column("plc_flow")
    assert WHOLE.pair_c[3, pair] == pytest.approx(((x - x.mean()) * (y - y.mean())).sum(), rel=1e-9)


def test_seconds_of_the_excluding_states_add_up_to_what_is_covered() -> None:
    excluding = WHOLE.state_s[:, :4].sum(axis=1)
    assert STATES[:4] == ("loaded", "empty", "stopped", "unknown")
    np.testing.assert_array_equal(excluding, WHOLE.covered_s)
    closed_until = int(WHOLE.start_s[-1]) + 10
    assert WHOLE.covered_s.sum() == (ROUGH.time_s < closed_until).sum()


def test_block_is_closed_by_its_last_second_or_by_a_later_block() -> None:
    site = small_site(ROLES)
    builder = BlockBuilder(site, "TB-07")
    flow = samples_by_hand({role: np.full(25, 100.0) for role in ROLES})
    assert len(builder.push(flow[slice(0, 9)])) == 0
    assert builder.push(flow[slice(9, 10)]).start_s.tolist() == [BEGIN]
    assert len(builder.push(flow[slice(10, 14)])) == 0
    late = samples_by_hand({role: np.full(1, 100.0) for role in ROLES}, begin=BEGIN + 40)
    closed = builder.push(late)
    assert closed.start_s.tolist() == [BEGIN + 10]
    assert closed.covered_s.tolist() == [4.0]


@pytest.mark.parametrize(
    ("step", "length"), [(1, 10), (3, 12), (4, 12), (5, 10), (6, 12), (10, 10), (12, 12), (30, 30), (60, 60)]
)
def test_block_is_whole_steps_and_a_part_of_a_minute(step: int, length: int) -> None:
    samples = samples_by_hand({role: np.full(120 // step * 2, 100.0) for role in ROLES}, step_s=step)
    blocks, _ = built(samples, small_site(ROLES), [])
    assert blocks.length_s == length
    assert blocks.covered_s.tolist() == [float(length)] * (240 // length)
    assert blocks.own_t.sum() == pytest.approx(100.0 * 240 / 3600)
    assert blocks.measured_s.sum() == 240.0


def test_expected_flow_rebuilds_the_flow_of_a_sound_loop_sample_by_sample() -> None:
    samples = run_of("TB-07", 0.2, seed=3)
    blocks, _ = built(samples, terminal(), [])
    difference = blocks.of("mean", "expected_flow") - blocks.of("mean", "flow")
    assert np.abs(difference[6:]).max() < 0.5


def test_roles_without_a_tag_have_no_column_and_count_zero() -> None:
    blocks, _ = built(samples_by_hand({"flow": np.full(20, 5.0)}), small_site(["flow"]), [])
    assert blocks.roles == ("flow",)
    assert blocks.of("n", "plc_flow").tolist() == [0.0, 0.0]
    assert np.isnan(blocks.of("mean", "plc_flow")).all()
    assert np.isnan(blocks.increment_t).all()
    assert blocks.pairs == ()


def test_block_that_ends_before_a_jump_of_its_total_is_decided_is_told() -> None:
    total = 500.0 + 0.1 * np.arange(40)
    total[17:] -= 400.0
    samples = samples_by_hand({"flow": np.full(40, 360.0), "gauge_total": total})
    blocks, ledger = built(samples, small_site(["flow", "gauge_total"]), [])
    assert blocks.discontinuities[:, 0].tolist() == [0.0, 1.0, 1.0, 0.0]
    assert [entry.kind for entry in ledger if isinstance(entry, LedgerEntry)] == ["total-reset"]
    assert np.nansum(blocks.increment_t[:, 0]) == pytest.approx(0.1 * 38)
