"""Merging blocks: associative within rounding, equal to blocks made in one piece, to the byte along the fixed tree."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.blocks import ARRAYS, Blocks
from checks.build import BlockBuilder
from checks.merge import TreeMerger, concat, merge_groups, merge_rows
from checks.samples import join
from config.model import Site
from tests.checks.runs_of_terminal import changed, run_of, samples_by_hand, small_site, terminal

SAMPLES = changed(
    run_of("TB-07", 2.2, seed=5),
    count_rate=lambda v: np.where((np.arange(len(v)) > 1000) & (np.arange(len(v)) < 1350), 0.0, v),
    flow=lambda v: np.where((np.arange(len(v)) > 2000) & (np.arange(len(v)) < 2007), np.nan, v),
)
BLOCKS = BlockBuilder(terminal(), "TB-07").push(
    join([SAMPLES[slice(0, 2500)], SAMPLES[slice(3700, 5000)], SAMPLES[slice(5003, None)]])
)
EXACT = ("n", "minimum", "maximum", "first", "last", "pair_n", "discontinuities", "run_longest", "covered_s", "start_s")


def agree(a: Blocks, b: Blocks) -> None:
    for name in ARRAYS:
        x, y = getattr(a, name), getattr(b, name)
        if name in EXACT:
            np.testing.assert_array_equal(x, y, err_msg=name)
        else:
            scale = max(1.0, float(np.nanmax(np.abs(x), initial=0.0)))
            np.testing.assert_allclose(x, y, rtol=1e-9, atol=1e-9 * scale, err_msg=name)


def rows_of(first: int, count: int) -> list[Blocks]:
    return [BLOCKS[slice(row, row + 1)] for row in range(first, first + count)]


def merge_pair(a: Blocks, b: Blocks) -> Blocks:
    """One row with the later one; runs go on where nothing is missing between them."""
    joined = np.array([False, bool(a.start_s[0] + a.covered_s[0] == b.start_s[0])])
    return merge_groups(concat([a, b]), np.zeros(1, np.intp), joined, a.length_s)


def folded(parts: list[Blocks], draw: Iterator[int]) -> Blocks:
    """Merge neighbours in any order."""
    parts = list(parts)
    while len(parts) > 1:
        place = next(draw) % (len(parts) - 1)
        parts[place : place + 2] = [merge_pair(parts[place], parts[place + 1])]
    return parts[0]


@settings(max_examples=60, deadline=None)
@given(st.integers(0, len(BLOCKS) - 12), st.integers(2, 12), st.lists(st.integers(0, 30), min_size=24, max_size=24))
def test_any_order_of_merging_neighbours_agrees(first: int, count: int, order: list[int]) -> None:
    parts = rows_of(first, count)
    one_way = folded(parts, iter([0] * 24))
    agree(folded(parts, iter(order)), one_way)


def test_merged_moments_are_those_of_all_samples() -> None:
    minutes = merge_rows(BLOCKS, 60)
    for row in (0, 10, 33, 40):
        start = int(minutes.start_s[row])
        part = SAMPLES[slice(*np.searchsorted(SAMPLES.time_s, [start, start + 60]))]
        x, y = part.column("flow"), part.column("plc_flow")
        good = np.isfinite(x)
        assert minutes.of("n", "flow")[row] == good.sum()
        assert minutes.of("mean", "flow")[row] == pytest.approx(x[good].mean(), rel=1e-12)
        assert minutes.of("m2", "flow")[row] == pytest.approx(((x[good] - x[good].mean()) ** 2).sum(), rel=1e-9)
        pair = minutes.pairs.index(("flow", "plc_flow"))
        cross = ((x[good] - x[good].mean()) * (y[good] - y[good].mean())).sum()
        assert minutes.pair_c[row, pair] == pytest.approx(cross, rel=1e-8, abs=1e-6)


def test_variance_survives_a_large_offset() -> None:
    """NIST Statistical Reference Datasets, NumAcc4: 1001 values 10000000.2 and +-0.1 about it, deviation 0.1 (from memory).

    The textbook formula (sum of squares less n mean^2) gives a negative variance here.
    """
    values = np.concatenate([[10000000.2], np.tile([10000000.1, 10000000.3], 500)])
    values = values[: 1001 // 10 * 10]
    blocks = BlockBuilder(small_site(["flow"]), "TB-07").push(samples_by_hand({"flow": values}))
    merged = folded([blocks[slice(row, row + 1)] for row in range(len(blocks))], iter([0] * 200))
    deviation = float(np.sqrt(merged.m2[0, 0] / (len(values) - 1)))
    assert deviation == pytest.approx(0.1, rel=1e-3)


def site_of(roles: tuple[str, ...]) -> Site:
    return small_site(roles)


def test_runs_go_on_over_borders_and_break_at_gaps() -> None:
    zeros = np.zeros(60)
    zeros[0] = 5.0
    roles = ("flow", "count_rate")
    whole = samples_by_hand({"flow": np.ones(60), "count_rate": zeros})
    builder = BlockBuilder(site_of(roles), "TB-07")
    minute = merge_rows(builder.push(whole), 60)
    assert minute.run_longest[0, 0] == 59.0
    assert (minute.run_head[0, 0], minute.run_tail[0, 0]) == (0.0, 59.0)
    gap = join([whole[slice(0, 20)], whole[slice(30, 60)]])
    minute = merge_rows(BlockBuilder(site_of(roles), "TB-07").push(gap), 60)
    assert minute.run_longest[0, 0] == 30.0


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, len(BLOCKS)), max_size=30))
def test_tree_gives_the_same_merged_blocks_to_the_byte_for_any_chunks(cuts: list[int]) -> None:
    def merged(edges: list[int]) -> dict[int, Blocks]:
        tree, parts = TreeMerger(), {}  # type: TreeMerger, dict[int, list[Blocks]]
        for a, b in pairwise(edges):
            for length, rows in tree.push(BLOCKS[slice(a, b)]).items():
                parts.setdefault(length, []).append(rows)
        return {length: concat(rows) for length, rows in parts.items()}

    whole, cut = merged([0, len(BLOCKS)]), merged([0, *sorted(cuts), len(BLOCKS)])
    assert whole.keys() == cut.keys() == {60, 3600}
    for length, rows in whole.items():
        for name in ARRAYS:
            assert getattr(rows, name).tobytes() == getattr(cut[length], name).tobytes(), (length, name)


def test_tree_closes_on_utc_borders_and_adds_up() -> None:
    tree = TreeMerger()
    closed = tree.push(BLOCKS)
    assert (closed[3600].start_s % 3600 == 0).all()
    assert (closed[60].start_s % 60 == 0).all()
    until = int(closed[60].start_s[-1]) + 60
    assert closed[60].covered_s.sum() == BLOCKS.covered_s[BLOCKS.start_s < until].sum()
    assert closed[60].own_t.sum() == pytest.approx(BLOCKS.own_t[BLOCKS.start_s < until].sum(), rel=1e-12)


def test_day_is_closed_when_a_block_of_the_next_one_comes() -> None:
    roles = ("flow",)
    builder, tree = BlockBuilder(site_of(roles), "TB-07", 60), TreeMerger()
    samples = samples_by_hand({"flow": np.full(2 * 1440, 60.0)}, step_s=60, begin=1_800_000_000 // 86400 * 86400)
    closed = tree.push(builder.push(samples))
    assert closed[86400].own_t == pytest.approx([1440.0, 1440.0])
    assert closed[86400].n[:, 0].tolist() == [1440.0, 1440.0]
