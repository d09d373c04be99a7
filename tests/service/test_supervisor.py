"""Stop by call, by cancel, by death: in order, in time, and nothing dies unnoticed."""

from __future__ import annotations

import asyncio
from functools import partial

import pytest

from collector.clock import ManualClock, SystemClock
from collector.service.supervisor import GRACE_S, Run, Stage, Supervisor, sleep_or_stop
from config.errors import ForbiddenRequestError
from tests.service.waiting import SOON, until


async def test_stages_stop_in_their_order_whatever_the_order_of_adding() -> None:
    ended: list[str] = []
    supervisor = Supervisor(SystemClock())

    def member(name: str) -> Run:
        async def run(stop: asyncio.Event) -> None:
            await stop.wait()
            await asyncio.sleep(0)
            ended.append(name)

        return run

    for name, stage in (
        ("web", Stage.SHOWING),
        ("history", Stage.KEEPING),
        ("gauge", Stage.INTAKE),
        ("verify", Stage.VERIFYING),
    ):
        supervisor.add(name, member(name), stage=stage)
    running = asyncio.create_task(supervisor.run())
    await asyncio.sleep(0)
    supervisor.request_stop()
    await asyncio.wait_for(running, SOON)
    assert ended == ["gauge", "verify", "history", "web"]
    assert supervisor.failed == ""


async def test_stop_requested_before_run_is_not_lost() -> None:
    supervisor = Supervisor(SystemClock())

    async def run(stop: asyncio.Event) -> None:
        await stop.wait()

    supervisor.add("gauge", run, stage=Stage.INTAKE)
    supervisor.request_stop()
    await asyncio.wait_for(supervisor.run(), SOON)


async def test_cancel_keeps_the_order_and_then_goes_on() -> None:
    ended: list[str] = []
    supervisor = Supervisor(SystemClock())

    async def run(stop: asyncio.Event) -> None:
        await stop.wait()
        ended.append("flushed")

    supervisor.add("history", run, stage=Stage.KEEPING)
    running = asyncio.create_task(supervisor.run())
    await asyncio.sleep(0)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    assert ended == ["flushed"]


@pytest.mark.parametrize("how", ["raises", "returns"])
async def test_vital_task_that_dies_ends_the_service(how: str) -> None:
    deaths: list[tuple[str, str, bool]] = []
    supervisor = Supervisor(SystemClock(), on_death=lambda *death: deaths.append(death))

    async def dies(stop: asyncio.Event) -> None:
        await asyncio.sleep(0)
        if how == "raises":
            raise ValueError("broken")

    async def lives(stop: asyncio.Event) -> None:
        await stop.wait()

    supervisor.add("closing", dies, stage=Stage.CLOSING)
    supervisor.add("web", lives, stage=Stage.SHOWING)
    await asyncio.wait_for(supervisor.run(), SOON)
    assert "closing" in supervisor.failed
    assert [(name, again) for name, _, again in deaths] == [("closing", False)]


async def test_request_that_would_write_to_the_plant_ends_the_service_even_from_a_side_task() -> None:
    supervisor = Supervisor(SystemClock())

    async def writes(stop: asyncio.Event) -> None:
        raise ForbiddenRequestError("function 6 was about to leave")

    supervisor.add("gauge", writes, stage=Stage.INTAKE, restart=True)
    await asyncio.wait_for(supervisor.run(), SOON)
    assert "function 6" in supervisor.failed


def _has(deaths: list[str], count: int) -> bool:
    return len(deaths) == count


@pytest.mark.parametrize("how", ["raises", "returns"])
async def test_side_task_that_dies_starts_again_with_growing_delays(how: str) -> None:
    clock = ManualClock()
    starts: list[float] = []
    deaths: list[str] = []
    supervisor = Supervisor(clock, on_death=lambda name, reason, again: deaths.append(reason))

    async def dies(stop: asyncio.Event) -> None:
        starts.append(clock.monotonic())
        if how == "raises":
            raise ValueError("broken")

    supervisor.add("gauge", dies, stage=Stage.INTAKE, restart=True)
    running = asyncio.create_task(supervisor.run())
    for count, delay in enumerate((1, 2, 4, 8), 1):
        await until(partial(_has, deaths, count))
        await asyncio.sleep(0)
        await clock.advance(delay)
    await until(lambda: len(starts) == 5)
    supervisor.request_stop()
    await asyncio.wait_for(running, SOON)
    assert starts == [0, 1, 3, 7, 15]
    assert supervisor.failed == ""


async def test_task_that_does_not_end_is_cancelled_after_its_grace(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(GRACE_S, Stage.INTAKE, 0.02)
    supervisor = Supervisor(SystemClock())
    cancelled = asyncio.Event()

    async def stubborn(stop: asyncio.Event) -> None:
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            cancelled.set()
            raise

    supervisor.add("gauge", stubborn, stage=Stage.INTAKE)
    running = asyncio.create_task(supervisor.run())
    await asyncio.sleep(0)
    supervisor.request_stop()
    await asyncio.wait_for(running, SOON)
    assert cancelled.is_set()


def test_graces_together_stay_below_five_seconds() -> None:
    assert sum(GRACE_S.values()) < 5.0


async def test_sleep_ends_at_the_deadline_or_with_the_stop() -> None:
    clock, stop = ManualClock(), asyncio.Event()
    sleeping = asyncio.create_task(sleep_or_stop(clock, 10.0, stop))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    await clock.advance(10.0)
    assert await asyncio.wait_for(sleeping, SOON) is False
    sleeping = asyncio.create_task(sleep_or_stop(clock, 99.0, stop))
    await asyncio.sleep(0)
    stop.set()
    assert await asyncio.wait_for(sleeping, SOON) is True
