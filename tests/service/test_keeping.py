"""Keeping: a history that fails stops nothing, and nothing is lost while there is room."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from concurrent.futures import ThreadPoolExecutor

import pytest

from checks.blocks import Blocks
from checks.engine import LoopEngine
from checks.samples import join
from collector.clock import ManualClock
from collector.live import LiveState
from collector.service import keeping
from collector.service.keeping import Keeper
from tests.service.fakes import T0, MemoryStore, samples, site
from tests.service.waiting import SOON, until


class Kept:
    """A keeper that runs over a store in memory."""

    def __init__(self) -> None:
        self.store = MemoryStore()
        self.clock = ManualClock(T0)
        self.live = LiveState(site(), "")
        self.executor = ThreadPoolExecutor(1)
        self.keeper = Keeper(self.store, self.live, self.clock, self.executor)
        self.stop = asyncio.Event()
        self.task = asyncio.create_task(self.keeper.run(self.stop))

    def times(self) -> list[int]:
        parts = self.store.rows.get("TB-07", [])
        return join(parts).time_s.tolist() if parts else []

    async def end(self) -> None:
        self.stop.set()
        await asyncio.wait_for(self.task, SOON)


@pytest.fixture
async def kept() -> AsyncIterator[Kept]:
    holder = Kept()
    yield holder
    if not holder.task.done():
        await holder.end()
    holder.executor.shutdown()


async def test_what_waits_when_told_to_stop_is_written_first(kept: Kept) -> None:
    for second in range(200):
        kept.keeper.keep_samples([samples(T0 + second, 1)])
    kept.keeper.keep_event("config-change", "another site file")
    await kept.end()
    assert kept.times() == list(range(T0, T0 + 200))
    assert [event.kind for event in kept.store.ledger] == ["config-change"]


async def test_full_disk_is_a_problem_and_writing_resumes_without_loss(kept: Kept) -> None:
    kept.store.failing = OSError(28, "No space left on device")
    kept.keeper.keep_samples([samples(T0, 1)])
    await until(lambda: keeping.PROBLEM in kept.live.problems)
    assert "No space left on device" in kept.live.problems["history"]
    assert "verifying in memory since 2027-01-15 08:00:00 UTC" in kept.live.problems["history"]
    kept.keeper.keep_samples([samples(T0 + 1, 1)])
    kept.store.failing = None
    while keeping.PROBLEM in kept.live.problems:
        await kept.clock.advance(keeping.RETRY_S)
        await asyncio.sleep(0.001)
    await until(lambda: bool(kept.store.ledger))
    assert kept.times() == [T0, T0 + 1]
    assert kept.store.ledger[0].kind == "history-resumed"
    assert kept.live.counters["history_errors"] >= 1


async def test_oldest_batch_is_dropped_and_counted_when_too_many_wait(kept: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeping, "MOST_WAITING", 10)
    kept.store.failing = OSError(28, "No space left on device")
    for second in range(25):
        kept.keeper.keep_samples([samples(T0 + second, 1)])
    await until(lambda: keeping.PROBLEM in kept.live.problems)
    kept.store.failing = None
    await kept.end()
    assert kept.times() == list(range(T0 + 15, T0 + 25))
    assert kept.live.counters["queue_dropped"] == 15


async def test_refused_event_does_not_write_the_samples_again(kept: Kept) -> None:
    fail = [True]
    add = kept.store.add_event

    def refuse(event: object) -> None:
        if fail[0]:
            raise OSError(5, "Input/output error")
        add(event)  # type: ignore[arg-type]

    kept.store.add_event = refuse  # type: ignore[method-assign]
    kept.keeper.keep_samples([samples(T0, 1)])
    kept.keeper.keep_event("x", "y")
    await until(lambda: keeping.PROBLEM in kept.live.problems)
    fail[0] = False
    await kept.end()
    assert kept.times() == [T0]
    assert [event.kind for event in kept.store.ledger] == ["x", "history-resumed"]


async def test_rollups_of_many_loops_share_transactions_and_none_is_lost_when_the_disk_is_full(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "ROLLUPS_AT_ONCE", 4)
    engine = LoopEngine(kept.live.site, "TB-07")
    engine.push(samples(T0, 1200), evaluate=False)
    minutes = engine.take_rollups()[60]
    parts = [minutes[slice(row, row + 1)] for row in range(10)]
    together: list[int] = []
    store_of = kept.store.add_rollups_of

    def counted(taken: Sequence[Blocks]) -> None:
        together.append(len(taken))
        store_of(taken)

    monkeypatch.setattr(kept.store, "add_rollups_of", counted)
    kept.store.failing = OSError(28, "No space left on device")
    for part in parts[:5]:
        kept.keeper.keep_rollups(part)
    await until(lambda: "history" in kept.live.problems)
    kept.store.failing = None
    for part in parts[5:]:
        kept.keeper.keep_rollups(part)
    await kept.end()
    assert [int(blocks.start_s[0]) for blocks in kept.store.blocks] == [int(part.start_s[0]) for part in parts]
    assert together[-3:] == [4, 4, 2]
