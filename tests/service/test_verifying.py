"""Verifying: the way back from history, order, and a loop that breaks without stopping the others."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor

import pytest

from checks.evaluation import Evaluation
from checks.samples import Samples
from collector.clock import ManualClock
from collector.live import LiveState
from collector.service import verifying
from collector.service.verifying import Verifying
from tests.checks.tools_for_empties import stretch
from tests.service.fakes import T0, CountingEngine, MemoryStore, samples, site
from tests.service.waiting import SOON, until


class Verified:
    """A verifying task over two loops."""

    def __init__(self) -> None:
        self.store = MemoryStore()
        self.live = LiveState(site("TB-07", "TB-08"), "")
        self.engines = {loop: CountingEngine(self.live.site, loop) for loop in ("TB-07", "TB-08")}
        self.executor = ThreadPoolExecutor(1)
        self.evaluations: list[Evaluation] = []
        self.stop = asyncio.Event()
        self.known_until: dict[str, int] = {}

    def start(self) -> Verifying:
        self.verifying = Verifying(
            self.engines,
            self.live,
            self.executor,
            store=self.store,
            known_until=self.known_until,
            clock=ManualClock(),
            on_evaluations=self.evaluations.extend,
            on_rollups=lambda blocks: None,
        )
        self.task = asyncio.create_task(self.verifying.run(self.stop))
        return self.verifying

    async def end(self) -> None:
        self.stop.set()
        await asyncio.wait_for(self.task, SOON)


@pytest.fixture
async def verified() -> AsyncIterator[Verified]:
    holder = Verified()
    yield holder
    if not holder.task.done():
        await holder.end()
    holder.executor.shutdown()


async def test_what_waits_when_told_to_stop_is_verified_first(verified: Verified) -> None:
    task = verified.start()
    for second in range(30):
        task.take({"TB-07": samples(T0 + second, 1), "TB-08": samples(T0 + second, 1, "TB-08")})
    await verified.end()
    assert [(item.loop, item.time_s) for item in verified.evaluations] == [
        (loop, T0 + time) for time in (10, 20, 30) for loop in ("TB-07", "TB-08")
    ]


async def test_restart_reads_back_a_day_unjudged_and_live_samples_follow(verified: Verified) -> None:
    verified.store.append([samples(T0, 25)])
    verified.known_until = {"TB-07": T0 + 20}
    task = verified.start()
    task.take({"TB-07": samples(T0 + 20, 10)})
    await until(lambda: len(verified.engines["TB-07"].seen) == 30)
    seen = verified.engines["TB-07"].seen
    assert [time for time, _ in seen] == list(range(T0, T0 + 30))
    assert [judged for _, judged in seen] == [False] * 20 + [True] * 10


async def test_restart_gives_the_ledger_of_empties_back_before_the_samples(verified: Verified) -> None:
    kept = [stretch(T0 - 7200), stretch(T0 - 3600)]
    verified.store.append([samples(T0, 25)])
    verified.store.stretches["TB-07"] = kept
    verified.known_until = {"TB-07": T0 + 25}
    task = verified.start()
    await until(lambda: task.recovered)
    assert verified.engines["TB-07"].empties.stretches() == tuple(kept)
    assert verified.engines["TB-08"].empties.stretches() == ()


async def test_what_was_left_out_of_the_ledger_of_empties_stays_out_after_a_restart(verified: Verified) -> None:
    kept = [stretch(T0 - 7200), stretch(T0 - 3600)]
    verified.store.append([samples(T0, 25)])
    verified.store.stretches["TB-07"] = kept
    verified.store.void_times["TB-07"] = [(T0 - 3700, T0 - 3500)]
    verified.known_until = {"TB-07": T0 + 25}
    task = verified.start()
    await until(lambda: task.recovered)
    assert verified.engines["TB-07"].empties.stretches() == (kept[0],)
    assert verified.engines["TB-07"].empties.take_voids() == []


async def test_restart_looks_back_a_day_and_no_further(verified: Verified) -> None:
    end = T0 + 90_000
    verified.store.append([samples(T0, 10), samples(end - 5, 5)])
    verified.known_until = {"TB-07": end}
    verified.start()
    await until(lambda: verified.verifying.recovered)
    assert [time for time, _ in verified.engines["TB-07"].seen] == list(range(end - 5, end))


async def test_loop_that_breaks_is_counted_and_shown_and_the_other_goes_on(verified: Verified) -> None:
    verified.engines["TB-07"].breaks = True
    task = verified.start()
    task.take({"TB-07": samples(T0, 10), "TB-08": samples(T0, 10, "TB-08")})
    await until(lambda: len(verified.evaluations) == 1)
    assert verified.live.counters["check_errors"] == 1
    assert "TB-07" in verified.live.problems["verifying TB-07"]
    verified.engines["TB-07"].breaks = False
    task.take({"TB-07": samples(T0 + 10, 10)})
    await until(lambda: len(verified.evaluations) == 2)
    assert "verifying TB-07" not in verified.live.problems


async def test_history_that_cannot_be_read_back_does_not_stop_verification(verified: Verified) -> None:
    verified.store.failing = OSError(5, "Input/output error")
    verified.known_until = {"TB-07": T0}
    task = verified.start()
    task.take({"TB-07": samples(T0, 10)})
    await until(lambda: len(verified.evaluations) == 1)
    assert verified.live.counters["check_errors"] == 1


async def test_oldest_seconds_go_when_the_machine_is_too_slow(verified: Verified, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verifying, "MOST_WAITING", 5)
    task = verified.start()
    for second in range(8):
        task.take({"TB-07": samples(T0 + second, 1)})
    await verified.end()
    assert verified.live.counters["verify_dropped"] == 3


async def test_on_a_wide_site_half_of_the_loops_are_shown_at_each_block(
    verified: Verified, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(verifying, "MANY_LOOPS", 1)
    shown: dict[str, list[bool]] = {"TB-07": [], "TB-08": []}
    for loop, engine in verified.engines.items():

        def push(
            part: Samples, *, evaluate: bool = True, show: bool = False, asking: bool = True, loop: str = loop
        ) -> list[Evaluation]:
            shown[loop].append(show)
            return []

        monkeypatch.setattr(engine, "push", push)
    task = verified.start()
    for second in range(40):
        task.take({loop: samples(T0 + second, 1, loop) for loop in shown})
    await verified.end()
    assert all(sorted(turns) == [False, False, True, True] and turns[0] == turns[2] for turns in shown.values())


async def test_checks_are_asked_to_be_shown_only_while_somebody_looks(
    verified: Verified, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[int, bool]] = []

    def push(part: Samples, *, evaluate: bool = True, show: bool = False, asking: bool = True) -> list[Evaluation]:
        asked.append((int(part.time_s[-1]) + 1 - T0, asking))
        assert show
        return []

    monkeypatch.setattr(verified.engines["TB-07"], "push", push)
    task = verified.start()
    verified.live.looked_at = float(T0 + 15)
    for second in range(100):
        task.take({"TB-07": samples(T0 + second, 1)})
    await verified.end()
    assert asked == [(end, end - 1 <= 15 + verifying.WATCHED_S) for end in range(10, 101, 10)]
