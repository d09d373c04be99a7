"""Which blocks are judged: few of a healthy day, all behind a change, and no finding comes later for it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks import engine as engine_module
from checks.build import BlockBuilder
from checks.due import AGAIN_S, BEAT_S, EACH_S, HOLD_S, LEANT_BEAT_S, LONG, QUIET_BEAT_S, SOON_S, STANDING_S, Due
from checks.engine import LoopEngine
from checks.merge import concat
from checks.result import Link
from checks.window import LedgerEntry
from tests import FULL
from tests.acceptance.simulated import LOOPS, Order, lacking, samples_of, tell
from tests.checks.runs_of_terminal import BEGIN, run_of, samples_by_hand, small_site, terminal

SEED = 5
HEALTHY = BlockBuilder(terminal(), "TB-07").push(run_of("TB-07", 2.0, seed=SEED))


@pytest.mark.parametrize(("loop", "without"), [*((loop, ()) for loop in LOOPS), ("TB-07", ("drive_speed",))])
def test_few_blocks_of_a_healthy_half_day_are_judged(loop: str, without: tuple[str, ...]) -> None:
    site = lacking(terminal(), loop, without)
    builder = BlockBuilder(site, loop)
    blocks = concat([builder.push(samples) for samples in samples_of(loop, BEGIN, 12 * 3600, SEED, without=without)])
    due = Due(site.loops[loop]).push(blocks, builder.ledger)
    assert due.mean() < 0.05
    assert np.diff(blocks.start_s[due]).max() <= QUIET_BEAT_S + SOON_S


@settings(deadline=None)
@given(st.lists(st.integers(1, len(HEALTHY) - 1), unique=True, max_size=8), st.lists(st.integers(0, 7200), max_size=4))
def test_chunks_do_not_matter(cuts: list[int], after: list[int]) -> None:
    loop = terminal().loops["TB-07"]
    events = [LedgerEntry(time_s=time_s, kind="tare") for time_s in sorted(BEGIN + second for second in after)]
    at_once = Due(loop)
    whole = at_once.push(HEALTHY, events)
    parts, one = [], Due(loop)
    pressing: set[int] = set()
    at_rest: set[int] = set()
    by_line: list[tuple[Link, frozenset[int]]] = []
    for first, last in pairwise([0, *sorted(cuts), len(HEALTHY)]):
        part = HEALTHY[slice(first, last)]
        begin, end = int(part.start_s[0]), int(part.start_s[-1]) + part.length_s
        parts.append(one.push(part, [event for event in events if begin <= event.time_s < end]))
        for names, found in ((pressing, one.pressing), (at_rest, one.at_rest)):
            names |= found
        by_line += [(link, starts) for link, starts in one.by_line]
    assert (frozenset(pressing), frozenset(at_rest)) == (at_once.pressing, at_once.at_rest)
    for link, starts in at_once.by_line:
        assert starts == frozenset().union(*(found for other, found in by_line if other is link))
    assert np.array_equal(whole, np.concatenate(parts))


def test_blocks_behind_a_change_are_judged_for_three_minutes() -> None:
    flow = np.full(2400, 100.0)
    flow[1200:1260] = np.nan
    builder = BlockBuilder(small_site(["flow"]), "TB-07")
    blocks = builder.push(samples_by_hand({"flow": flow}, begin=BEGIN))
    due = Due(small_site(["flow"]).loops["TB-07"]).push(blocks)
    seconds = blocks.start_s - BEGIN
    for change in (1200, 1260):
        assert due[(seconds >= change) & (seconds < change + EACH_S)].all()
    assert due[(seconds >= 1260) & (seconds < 1260 + HOLD_S) & ((seconds + 10) % STANDING_S == 0)].all()
    assert not due[(seconds >= 600) & (seconds < 1200) & ((seconds + 10) % BEAT_S != 0)].any()


@pytest.mark.parametrize(
    ("fault", "most_later_s"),
    [
        ("zero-counts", 0), ("output-frozen", 60), ("upper-range@plc", 30), ("total-time-base", BEAT_S),
        ("shutter-contradiction", 0), *([("open-loop", 0), ("word-order", 0)] if FULL else []),
    ],
)  # fmt: skip
def test_fault_is_raised_as_early_as_if_every_block_were_judged(
    fault: str, most_later_s: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    order = [Order(3800, fault)]
    few = tell(terminal(), "TB-07", BEGIN, 5400, SEED, order)
    monkeypatch.setattr(Due, "push", lambda self, blocks, events=(), empties=(): np.ones(len(blocks), np.bool_))
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
    assert len(late) < 0.15 * 3000 / 10
    assert max(b.time_s - a.time_s for a, b in pairwise(told)) <= LONG[-1][1]
    assert max(b.time_s - a.time_s for a, b in pairwise(told) if b.time_s < BEGIN + 4800) <= STANDING_S


def test_belt_that_goes_on_stopping_is_judged_for_it_at_the_beat_of_a_quiet_one() -> None:
    running = (np.arange(3600 + 3 * AGAIN_S) % 600 < 420).astype(np.float64)
    site = small_site(["flow", "drive_running"])
    blocks = BlockBuilder(site, "TB-07").push(samples_by_hand({"flow": 100.0 * running, "drive_running": running}, begin=BEGIN))
    due, judged = Due(site.loops["TB-07"]), []
    for first in range(0, len(blocks), 500):
        part = blocks[slice(first, first + 500)]
        judged += part.start_s[due.push(part)].tolist()
    late = [start for start in judged if start >= BEGIN + 3600]
    assert 2 <= len(late) <= 2 * 3
    assert min(b - a for a, b in pairwise(late)) >= SOON_S


def test_line_that_comes_and_goes_about_its_limit_is_pressed_for_once() -> None:
    seconds = np.arange(4 * 3600)
    flow = 200.0 + 40.0 * np.sin(2.0 * np.pi * seconds / 700.0)
    off = 6.0 * ((seconds >= 7200) & (seconds % 300 < 60))
    site = small_site(["flow", "plc_flow"])
    blocks = BlockBuilder(site, "TB-07").push(samples_by_hand({"flow": flow, "plc_flow": flow + off}, begin=BEGIN))
    at_once = Due(site.loops["TB-07"])
    judged = blocks.start_s[at_once.push(blocks)] - BEGIN
    begun = sorted(start - BEGIN for start in at_once.pressing)
    assert begun
    assert begun[0] >= 7200
    assert begun[-1] < 7200 + 900
    assert np.diff(judged[judged >= 9000]).min() >= STANDING_S
    assert np.diff(judged[judged >= 9000]).max() <= LEANT_BEAT_S


def test_what_began_while_nobody_judged_is_found_at_once() -> None:
    engine, told = LoopEngine(terminal(), "TB-07"), []
    for samples in samples_of("TB-07", BEGIN, 6600, SEED, [Order(600, "zero-counts")]):
        told += engine.push(samples, evaluate=int(samples.time_s[0]) >= BEGIN + 6000)
    assert told[0].time_s == BEGIN + 6010
    assert "zero-counts" in {finding.cause for finding in told[0].findings}


def test_calm_blocks_are_few_and_at_the_beat_or_behind_what_the_belt_did() -> None:
    builder = BlockBuilder(terminal(), "TB-07")
    blocks = concat([builder.push(samples) for samples in samples_of("TB-07", BEGIN, 12 * 3600, SEED)])
    due = Due(terminal().loops["TB-07"])
    judged = blocks.start_s[due.push(blocks, builder.ledger)]
    assert due.calm < frozenset(judged.tolist())
    stops = np.array([entry.time_s for entry in builder.ledger if entry.kind in ("belt-stop", "belt-start")])
    for start in due.calm:
        behind = start - stops[stops <= start].max(initial=0)
        assert (start + blocks.length_s) % QUIET_BEAT_S == 0 or behind < HOLD_S + terminal().loops["TB-07"].settle
