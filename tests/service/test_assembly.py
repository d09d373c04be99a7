"""The parts together, over a history in memory and pollers that follow a clock moved by hand."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path

import pytest

from checks.evaluation import Evaluation
from checks.samples import join
from collector.clock import ManualClock
from collector.live import EndpointStatus, LiveState
from collector.reading import Reading, ReadingSink
from collector.service import assembly
from collector.service.assembly import EventTeller, Poller, Service
from collector.service.supervisor import sleep_or_stop
from config.load import LoadedSite
from tests.service.fakes import T0, CountingEngine, MemoryStore, site
from tests.service.waiting import SOON, until


class FakePoller:
    """Reads the flow once a second; can be told to die."""

    name = "gauge"

    def __init__(self, sink: ReadingSink, clock: ManualClock) -> None:
        self._sink, self._clock = sink, clock
        self.dies = False

    async def run(self, stop: asyncio.Event) -> None:
        deadline = self._clock.monotonic()
        while not stop.is_set():
            if self.dies:
                self.dies = False
                raise RuntimeError("broken")
            time = self._clock.now()
            self._sink([Reading(loop="TB-07", role="flow", value=time - T0, quality=0, receive_time=time)])
            deadline += 1.0
            await sleep_or_stop(self._clock, deadline, stop)


class FakeAlerting:
    """Remembers what it was given."""

    def __init__(self) -> None:
        self.taken: list[Evaluation] = []

    def take(self, evaluation: Evaluation) -> None:
        self.taken.append(evaluation)

    async def run(self, stop: asyncio.Event) -> None:
        await stop.wait()


class Rig:
    """A service that runs."""

    def __init__(self, store: MemoryStore, clock: ManualClock) -> None:
        loaded = LoadedSite(site=site(), sha256="ab" * 32, path=Path("site.yaml"))
        self.clock, self.store = clock, store
        self.live = LiveState(loaded.site, loaded.sha256)
        self.alerting = FakeAlerting()
        self.pollers: list[FakePoller] = []
        self.service = Service(loaded, store, self.alerting, self._make, self.live, clock)
        self.running = asyncio.create_task(self.service.run())

    def _make(self, sink: ReadingSink, statuses: dict[str, EndpointStatus], tell: EventTeller) -> Sequence[Poller]:
        statuses["gauge"] = EndpointStatus(name="gauge", protocol="modbus")
        self.pollers.append(FakePoller(sink, self.clock))
        return self.pollers

    async def pass_time(self, seconds: int) -> None:
        for _ in range(seconds):
            await asyncio.sleep(0.001)
            await self.clock.advance(1.0)
        await asyncio.sleep(0.001)

    async def end(self) -> None:
        self.service.supervisor.request_stop()
        await asyncio.wait_for(self.running, SOON)

    def times(self) -> list[int]:
        parts = self.store.rows.get("TB-07", [])
        return join(parts).time_s.tolist() if parts else []


@pytest.fixture(autouse=True)
def counting_engine(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(assembly, "LoopEngine", CountingEngine)


async def test_every_closed_second_is_kept_and_verified_when_it_stops() -> None:
    rig = Rig(MemoryStore(), ManualClock(T0))
    await rig.pass_time(25)
    await rig.end()
    times = rig.times()
    assert times == list(range(T0, times[-1] + 1))
    assert times[-1] >= T0 + 20
    assert [evaluation.time_s for evaluation in rig.alerting.taken] == [T0 + 10, T0 + 20]
    assert rig.live.evaluations["TB-07"].time_s == T0 + 20
    assert rig.service.supervisor.failed == ""


async def test_restart_makes_no_second_twice_and_engines_know_the_past() -> None:
    store, clock = MemoryStore(), ManualClock(T0)
    first = Rig(store, clock)
    await first.pass_time(15)
    await first.end()
    known = first.times()
    second = Rig(store, clock)
    await second.pass_time(15)
    await second.end()
    times = second.times()
    assert times == sorted(set(times))
    assert times[: len(known)] == known
    engine = second.service.verifying._engines["TB-07"]
    assert isinstance(engine, CountingEngine)
    assert [time for time, judged in engine.seen if not judged] == known
    closed = (times[-1] + 1) // 10 * 10  # what closes no block changes nothing, and history has it
    assert [time for time, _ in engine.seen] == [time for time in times if time < closed]
    assert closed > known[-1] + 1


async def test_full_disk_stops_neither_verification_nor_the_end() -> None:
    store = MemoryStore()
    rig = Rig(store, ManualClock(T0))
    await rig.pass_time(3)
    store.failing = OSError(28, "No space left on device")
    await rig.pass_time(12)
    assert "history" in rig.live.problems
    assert rig.alerting.taken
    store.failing = None
    await rig.pass_time(8)
    await until(lambda: "history" not in rig.live.problems)
    await rig.end()
    times = rig.times()
    assert times == list(range(T0, T0 + len(times)))


async def test_poller_that_dies_is_shown_and_starts_again() -> None:
    rig = Rig(MemoryStore(), ManualClock(T0))
    await rig.pass_time(3)
    rig.pollers[0].dies = True
    await rig.pass_time(6)
    assert "died (RuntimeError: broken); it was started again" in rig.live.problems["part poller gauge"]
    assert rig.live.counters["task_deaths"] == 1
    await rig.pass_time(3)
    await rig.end()
    assert [event.kind for event in rig.store.ledger] == ["part-died"]
    assert rig.service.supervisor.failed == ""


async def test_dead_heart_ends_the_service(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(MemoryStore(), ManualClock(T0))
    monkeypatch.setattr(rig.service.closing, "_begin", lambda: 1 / 0)
    async with asyncio.timeout(SOON):
        while not rig.running.done():
            await rig.pass_time(1)
    await rig.running
    assert "closing: ZeroDivisionError" in rig.service.supervisor.failed


async def test_event_of_an_endpoint_goes_into_the_ledger() -> None:
    rig = Rig(MemoryStore(), ManualClock(T0))
    rig.service.tell("endpoint-lost", "gauge", "gauge does not answer")
    await rig.pass_time(1)
    await rig.end()
    assert [(event.kind, event.text) for event in rig.store.ledger] == [("endpoint-lost", "gauge does not answer")]
