"""Live pages by server-sent events: one short line a change; the page then fetches the fragment it shows."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Any

from collector.clock import Clock
from collector.live import LiveState

HEARTBEAT = 15.0
"""A comment is sent after this time without an event [s], so that a dead connection is noticed."""


class Streams:
    """The open event streams, so that a stopping service can end them before it waits for connections."""

    def __init__(self, live: LiveState, clock: Clock) -> None:
        self._live, self._clock = live, clock
        self._closing = asyncio.Event()
        self.open = 0

    def close(self) -> None:
        """End all streams; new ones end at once."""
        self._closing.set()

    async def events(self, loops: frozenset[str]) -> AsyncIterator[str]:
        """`change` events with the time of each evaluation, of some loops or (empty) all; the first at once."""
        self.open += 1
        changes = self._live.changes()
        closing = asyncio.ensure_future(self._closing.wait())
        change: asyncio.Future[int] | None = None
        beat: asyncio.Future[None] | None = None
        try:
            yield "retry: 3000\n\n"
            while not self._closing.is_set():
                change = change or asyncio.ensure_future(_next(changes))
                beat = asyncio.ensure_future(self._clock.sleep_until(self._clock.monotonic() + HEARTBEAT))
                waiting: set[asyncio.Future[Any]] = {change, closing, beat}
                await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
                if change.done():
                    version, change = change.result(), None
                    yield self._event(version, loops)
                elif beat.done():
                    yield ": still here\n\n"
                beat.cancel()
        finally:
            self.open -= 1
            for waiter in (change, closing, beat):
                if waiter is not None:
                    waiter.cancel()

    def _event(self, version: int, loops: frozenset[str]) -> str:
        times = {loop: evaluation.time_s for loop, evaluation in self._live.evaluations.items() if not loops or loop in loops}
        return f"id: {version}\nevent: change\ndata: {json.dumps({'evaluated': times}, separators=(',', ':'))}\n\n"


async def _next(changes: AsyncIterator[int]) -> int:
    return await anext(changes)
