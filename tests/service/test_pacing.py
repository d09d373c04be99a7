"""Blocks of many loops are judged in parts that leave the polls their turn."""

from __future__ import annotations

import asyncio

import pytest

from collector.clock import ManualClock
from collector.service.pacing import LEAST_REST, MOST_AT_ONCE, PART_S, SPREAD_S, Pace


class Counting(ManualClock):
    """Passes the time that is slept at once, and adds it up."""

    def __init__(self) -> None:
        super().__init__()
        self.slept = 0.0

    async def sleep_until(self, deadline: float) -> None:
        left = max(0.0, deadline - self.monotonic())
        self.slept += left
        await self.advance(left)


async def judge(loops: int, each_s: float, *, behind: bool = False) -> tuple[list[int], float, float]:
    """Sizes of the parts, time until the last loop is judged [s], and how much of it was rest [s]."""
    clock = Counting()
    pace = Pace(clock)
    parts: list[int] = []
    pace.begin(behind=behind)
    while sum(parts) < loops:
        parts.append(min(pace.many(), loops - sum(parts)))
        await clock.advance(parts[-1] * each_s)
        await pace.rest(parts[-1], loops - sum(parts))
    return parts, clock.monotonic(), clock.slept


def test_parts_take_no_longer_than_a_poll_may_wait_and_rest_as_long_again() -> None:
    parts, took, slept = asyncio.run(judge(500, 0.002))
    assert parts[0] == 1
    assert set(parts[1:-1]) == {int(PART_S / 0.002)}
    assert slept == pytest.approx(500 * 0.002, rel=0.02)
    assert took == pytest.approx(2 * 500 * 0.002, rel=0.02)


def test_cheap_loops_are_judged_many_at_once() -> None:
    assert max(asyncio.run(judge(500, 0.0001))[0]) == MOST_AT_ONCE


def test_rests_are_shorter_where_time_runs_out_but_never_none() -> None:
    _, took, slept = asyncio.run(judge(500, 0.008))
    assert took <= SPREAD_S * 1.01
    assert slept == pytest.approx(SPREAD_S - 500 * 0.008, rel=0.05)
    _, took, slept = asyncio.run(judge(500, 0.02))
    assert slept == pytest.approx(LEAST_REST * 500 * 0.02, rel=0.05)


def test_nothing_is_spread_where_verification_is_behind() -> None:
    parts, _, slept = asyncio.run(judge(500, 0.002, behind=True))
    assert set(parts) == {MOST_AT_ONCE}
    assert slept == pytest.approx(LEAST_REST * 500 * 0.002, rel=0.05)


def test_last_loop_needs_no_rest() -> None:
    assert asyncio.run(judge(1, 0.5))[2] == 0.0
