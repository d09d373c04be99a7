"""Closing: driven by a clock that is moved by hand."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor

import pytest

from checks.samples import FLAG_CLOCK_STEP, Samples
from collector.align import Aligner
from collector.clock import ManualClock
from collector.live import LiveState
from collector.reading import Reading
from collector.service import loops
from collector.service.keeping import Keeper
from collector.service.loops import Closing
from tests.service.fakes import T0, MemoryStore, site
from tests.service.waiting import SOON


class Closed:
    """A closing loop over one aligner, and what it closed."""

    def __init__(self, after: int | None = None) -> None:
        self.clock = ManualClock(T0)
        self.live = LiveState(site(), "")
        self.store = MemoryStore()
        self.keeper = Keeper(self.store, self.live, self.clock, ThreadPoolExecutor(1))
        self.closed: list[Samples] = []
        self.aligner = Aligner(self.live.site, "TB-07", after=after)
        self.closing = Closing({"TB-07": self.aligner}, self.live, self.keeper, self.clock, self.verify)

    def verify(self, closed: Mapping[str, Samples]) -> None:
        self.closed += closed.values()

    def read(self) -> None:
        self.closing.sink([Reading(loop="TB-07", role="flow", value=1.0, quality=0, receive_time=self.clock.now())])

    def times(self) -> list[int]:
        return [int(time) for samples in self.closed for time in samples.time_s]


async def test_one_second_is_closed_a_second_on_a_deadline_that_does_not_drift() -> None:
    closed, stop = Closed(), asyncio.Event()
    running = asyncio.create_task(closed.closing.run(stop))
    await asyncio.sleep(0)
    for _ in range(10):
        closed.read()
        await closed.clock.advance(1.0)
        await asyncio.sleep(0.002)
    stop.set()
    await asyncio.wait_for(running, SOON)
    assert closed.times() == list(range(T0, T0 + 8))
    assert closed.live.counters["samples_closed"] == 8
    assert closed.live.counters.get("skipped_ticks", 0) == 0
    assert closed.live.readings["TB-07", "flow"].value == 1.0


async def test_slots_that_were_missed_are_skipped_and_counted() -> None:
    closed, stop = Closed(), asyncio.Event()
    verify = closed.verify

    def slow(samples: Mapping[str, Samples]) -> None:
        verify(samples)
        closed.clock._move_to(closed.clock.monotonic() + 5.0)

    closed.closing._verify = slow
    running = asyncio.create_task(closed.closing.run(stop))
    await asyncio.sleep(0)
    for _ in range(4):
        closed.read()
        await closed.clock.advance(1.0)
        await asyncio.sleep(0.002)
    stop.set()
    await asyncio.wait_for(running, SOON)
    assert closed.live.counters["skipped_ticks"] >= 4


async def test_clock_step_is_an_event_and_flags_its_seconds() -> None:
    closed = Closed()
    for second in range(8):
        closed.read()
        closed.closing.tick()
        if second == 4:
            closed.clock.step_wall(3.0)
        await closed.clock.advance(1.0)
    assert closed.live.counters["clock_steps"] == 1
    times = closed.times()
    assert times == sorted(set(times))
    assert any((samples.flags & FLAG_CLOCK_STEP).any() for samples in closed.closed)
    assert closed.keeper.waiting


async def test_clock_that_goes_back_is_a_problem_until_it_has_caught_up() -> None:
    closed = Closed()
    for _ in range(10):
        closed.read()
        closed.closing.tick()
        await closed.clock.advance(1.0)
    closed.clock.step_wall(-60.0)
    closed.read()
    closed.closing.tick()
    assert "went back" in closed.live.problems["clock"]
    for _ in range(70):
        await closed.clock.advance(1.0)
        closed.read()
        closed.closing.tick()
    assert "clock" not in closed.live.problems
    times = closed.times()
    assert times == sorted(set(times))
    assert closed.live.counters["late_readings"] > 0


async def test_pollers_are_let_in_between_parts_of_a_wide_site(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loops, "AT_ONCE", 2)
    names = [f"TB-{number:02}" for number in range(1, 6)]
    clock, live = ManualClock(T0), LiveState(site(*names), "")
    keeper, batches = Keeper(MemoryStore(), live, clock, ThreadPoolExecutor(1)), list[list[str]]()
    closing = Closing(
        {name: Aligner(live.site, name) for name in names}, live, keeper, clock, lambda closed: batches.append(list(closed))
    )
    closing.sink([Reading(loop=name, role="flow", value=1.0, quality=0, receive_time=T0) for name in names])
    clock._move_to(5.0)
    turns = 0
    closing_now = asyncio.create_task(closing._tick_in_parts())
    while not closing_now.done():
        await asyncio.sleep(0)
        turns += 1
    assert turns >= 3
    assert batches == [names]
