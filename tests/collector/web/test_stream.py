from __future__ import annotations

import asyncio
import json

from checks.result import Verdict
from collector.clock import ManualClock
from collector.live import LiveState
from collector.web.stream import HEARTBEAT, Streams
from tests.collector.web import plant
from tests.collector.web.conftest import Serve


def data_of(event: str) -> dict[str, int]:
    line = next(line for line in event.splitlines() if line.startswith("data: "))
    found: dict[str, int] = json.loads(line.removeprefix("data: "))["evaluated"]
    return found


async def test_first_event_comes_at_once_and_the_next_with_an_evaluation() -> None:
    live = plant.healthy()
    streams = Streams(live, ManualClock())
    events = streams.events(frozenset({"TB-07"}))
    assert await anext(events) == "retry: 3000\n\n"
    assert data_of(await anext(events)) == {"TB-07": int(plant.NOW) - 4}
    coming = asyncio.ensure_future(anext(events))
    await asyncio.sleep(0)
    live.take_evaluation(plant.evaluation("TB-07", Verdict.FAULT, int(plant.NOW) + 6))
    assert data_of(await coming) == {"TB-07": int(plant.NOW) + 6}
    await events.aclose()  # type: ignore[attr-defined]
    assert streams.open == 0


async def test_silence_is_broken_by_a_comment() -> None:
    clock = ManualClock()
    events = Streams(plant.healthy(), clock).events(frozenset())
    await anext(events)
    await anext(events)
    coming = asyncio.ensure_future(anext(events))
    for _ in range(5):
        await asyncio.sleep(0)
    await clock.advance(HEARTBEAT)
    assert await coming == ": still here\n\n"
    await events.aclose()  # type: ignore[attr-defined]


async def test_closing_ends_open_streams_and_new_ones() -> None:
    streams = Streams(LiveState(site=plant.site(), site_sha256=""), ManualClock())
    events = streams.events(frozenset())
    await anext(events)
    await anext(events)
    rest = asyncio.ensure_future(_all(events))
    await asyncio.sleep(0)
    streams.close()
    assert await rest == []
    assert await _all(streams.events(frozenset())) == ["retry: 3000\n\n"]
    assert streams.open == 0


async def _all(events: object) -> list[str]:
    return [event async for event in events]  # type: ignore[attr-defined]


async def test_unknown_loop_is_not_streamed(serve: Serve) -> None:
    answer = await serve(plant.healthy()).get("/events?loops=TB-07,TB-99")
    assert answer.status_code == 404
