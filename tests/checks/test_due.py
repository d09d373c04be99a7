"""Which blocks are judged: few of a healthy day, all behind a change, and no finding comes later for it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks import engine as engine_module
from checks.build import BlockBuilder
from checks.due import BEAT_S, HOLD_S, STANDING_S, Due
from checks.engine import LoopEngine
from checks.merge import concat
from tests import FULL
from tests.acceptance.simulated import LOOPS, Order, samples_of, tell
from tests.checks.runs_of_terminal import BEGIN, run_of, samples_by_hand, small_site, terminal

SEED = 5
HEALTHY = BlockBuilder(terminal(), "TB-07").push(run_of("TB-07", 2.0, seed=SEED))


@pytest.mark.parametrize("loop", LOOPS)
def test_few_blocks_of_a_healthy_half_day_are_judged(loop: str) -> None:
    builder = BlockBuilder(terminal(), loop)
    blocks = concat([builder.push(samples) for samples in samples_of(loop, BEGIN, 12 * 3600, SEED)])
    due = Due(terminal().loops[loop]).push(blocks, [entry.time_s for entry in builder.ledger])
    assert due.mean() < 0.15
    assert due[(blocks.start_s + blocks.length_s) % BEAT_S == 0].all()


@settings(deadline=None)
@given(st.lists(st.integers(1, len(HEALTHY) - 1), unique=True, max_size=8), st.lists(st.integers(0, 7200), max_size=4))
def test_chunks_do_not_matter(cuts: list[int], after: list[int]) -> None:
    loop = terminal().loops["TB-07"]
    events = sorted(BEGIN + second for second in after)
    at_once = Due(loop)
    whole = at_once.push(HEALTHY, events)
    parts, one = [], Due(loop)
    pressing: set[int] = set()
    for first, last in pairwise([0, *sorted(cuts), len(HEALTHY)]):
        part = HEALTHY[slice(first, last)]
        begin, end = int(part.start_s[0]), int(part.start_s[-1]) + part.length_s
        parts.append(one.push(part, [time for time in events if begin <= time < end]))
        pressing |= one.pressing
    assert pressing == at_once.pressing
    assert np.array_equal(whole, np.concatenate(parts))


def test_every_block_behind_a_change_is_judged_for_three_minutes() -> None:
    flow = np.full(2400, 100.0)
    flow[1200:1260] = np.nan
    builder = BlockBuilder(small_site(["flow"]), "TB-07")
    blocks = builder.push(samples_by_hand({"flow": flow}, begin=BEGIN))
    due = Due(small_site(["flow"]).loops["TB-07"]).push(blocks)
    seconds = blocks.start_s - BEGIN
    behind = (seconds >= 1200) & (seconds < 1260 + HOLD_S)
    assert due[behind].all()
    assert not due[(seconds >= 600) & (seconds < 1200) & ((seconds + 10) % BEAT_S != 0)].any()


@pytest.mark.parametrize(
    ("fault", "most_later_s"),
    [
        ("zero-counts", 0), ("open-loop", 0), ("word-order", 0), ("output-frozen", 60), ("upper-range@plc", 30),
        ("total-time-base", BEAT_S),
    ],
)  # fmt: skip
def test_fault_is_raised_as_early_as_if_every_block_were_judged(
    fault: str, most_later_s: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    order = [Order(3800, fault)]
    few = tell(terminal(), "TB-07", BEGIN, 5400, SEED, order)
    monkeypatch.setattr(Due, "push", lambda self, blocks, events_s=(): np.ones(len(blocks), np.bool_))
    every = tell(terminal(), "TB-07", BEGIN, 5400, SEED, order)
    assert few[0].change.episode.link == every[0].change.episode.link
    assert few[0].second - every[0].second <= most_later_s
    assert few[-1].change.episode.finding.cause == every[-1].change.episode.finding.cause


@pytest.mark.parametrize("fault", ["zero-counts", "upper-range@plc", *(["output-frozen", "upper-range"] if FULL else [])])
def test_standing_finding_is_raised_named_and_gone_as_if_every_block_were_judged(
    fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    order = [Order(3800, fault), Order(6200, fault, on=False)]
    few = tell(terminal(), "TB-07", BEGIN, 8000, SEED, order)
    monkeypatch.setattr(engine_module, "STANDING_S", 1)
    every = tell(terminal(), "TB-07", BEGIN, 8000, SEED, order)
    assert [item.change.kind for item in few] == [item.change.kind for item in every]
    for one, other in zip(few, every, strict=True):
        assert abs(one.second - other.second) < STANDING_S
        assert one.change.episode.link == other.change.episode.link
        assert one.change.episode.finding.cause == other.change.episode.finding.cause
        if one.second == other.second:
            assert one.change.episode.finding.begin == other.change.episode.finding.begin


def test_standing_finding_is_judged_at_few_blocks() -> None:
    engine, told = LoopEngine(terminal(), "TB-07"), []
    for samples in samples_of("TB-07", BEGIN, 9000, SEED, [Order(3800, "upper-range@plc")]):
        told += [evaluation for evaluation in engine.push(samples) if evaluation.findings]
    late = [evaluation for evaluation in told if evaluation.time_s >= BEGIN + 6000]
    assert len(late) < 0.6 * 3000 / 10
    assert max(b.time_s - a.time_s for a, b in pairwise(told)) <= STANDING_S
