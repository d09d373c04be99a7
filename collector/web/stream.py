"""Live pages by server-sent events: one short line a change; the page then fetches the fragment it shows.

A page is told of the loops it shows and of what concerns all, not of the other loops of the site.
"""

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

    async def events(self, loops: frozenset[str] | None = None, *, order: bool = False) -> AsyncIterator[str]:
        """`change` events with the time of each evaluation; the first at once.

        Parameters
        ----------
        loops : set of loop ids or None
            Whose evaluations are told; None: every loop; empty: none, only what concerns all pages.
        order : bool
            Tell also when the verdict of any loop changes, for pages that show the worst loops first.
        """
        self.open += 1
        told: tuple[object, ...] | None = None
        changes = self._live.changes()
        closing = asyncio.ensure_future(self._closing.wait())
        change: asyncio.Future[int] | None = None
        beat: asyncio.Future[None] | None = None
        try:
            yield "retry: 3000\n\n"
            while not self._closing.is_set():
                change = change or asyncio.ensure_future(_next(changes))
                beat = beat or asyncio.ensure_future(self._clock.sleep_until(self._clock.monotonic() + HEARTBEAT))
                waiting: set[asyncio.Future[Any]] = {change, closing, beat}
                await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
                if change.done():
                    version, change = change.result(), None
                    seen = self._seen(loops, order)
                    if seen == told:
                        continue
                    told = seen
                    yield self._event(version, loops)
                elif beat.done():
                    yield ": still here\n\n"
                else:
                    continue
                beat.cancel()
                beat = None
        finally:
            self.open -= 1
            for waiter in (change, closing, beat):
                if waiter is not None:
                    waiter.cancel()

    def _seen(self, loops: frozenset[str] | None, order: bool) -> tuple[object, ...]:
        return (self._live.news, self._live.moves if order else 0, self._times(loops))

    def _times(self, loops: frozenset[str] | None) -> dict[str, int]:
        known = self._live.evaluations
        return {loop: known[loop].time_s for loop in (known if loops is None else sorted(loops)) if loop in known}

    def _event(self, version: int, loops: frozenset[str] | None) -> str:
        times = self._times(loops)
        return f"id: {version}\nevent: change\ndata: {json.dumps({'evaluated': times, 'news': self._live.mark}, separators=(',', ':'))}\n\n"


async def _next(changes: AsyncIterator[int]) -> int:
    return await anext(changes)
