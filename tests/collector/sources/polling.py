"""Run a poller against a real socket and wait for what it brings."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager

from collector.clock import SystemClock
from collector.live import EndpointState, EndpointStatus
from collector.reading import BAD, GOOD, Reading
from collector.sources.backoff import Backoff
from collector.sources.build import silence_libraries, source_of
from collector.sources.endpoint import EndpointPoller
from config.model import Site

SOON = 60.0
"""Far longer than anything here takes; a test that reaches it has failed [s]."""


class Watch:
    """Takes readings and events, and lets a test wait for a condition on them."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self.events: list[tuple[str, str, str]] = []
        self.status = EndpointStatus(name="", protocol="")
        self._changed = asyncio.Event()

    def take(self, readings: Sequence[Reading]) -> None:
        """The sink."""
        self.readings += readings
        self._changed.set()

    def tell(self, kind: str, endpoint: str, text: str) -> None:
        """The callback for events."""
        self.events.append((kind, endpoint, text))
        self._changed.set()

    def last(self, role: str = "flow") -> Reading | None:
        """The latest reading of a role."""
        return next((reading for reading in reversed(self.readings) if reading.role == role), None)

    async def until(self, condition: Callable[[], bool], timeout: float = SOON) -> None:
        """Wait until the condition holds; looked at after each poll."""
        async with asyncio.timeout(timeout):
            while not condition():
                self._changed.clear()
                await self._changed.wait()

    async def good(self, role: str = "flow") -> Reading:
        """Forget what was, wait for a good reading."""
        return await self._next(role, lambda reading: reading.quality == GOOD)

    async def bad(self, reason: str = "", role: str = "flow") -> Reading:
        """Forget what was, wait for a bad reading whose reason holds this text."""
        return await self._next(role, lambda reading: reading.quality == BAD and reason in reading.reason)

    async def _next(self, role: str, wanted: Callable[[Reading], bool]) -> Reading:
        self.readings.clear()
        found: list[Reading] = []

        def look() -> bool:
            found[:] = [reading for reading in self.readings if reading.role == role and wanted(reading)]
            return bool(found)

        try:
            await self.until(look)
        except TimeoutError:
            seen = {(reading.quality, reading.reason) for reading in self.readings if reading.role == role}
            raise AssertionError(f"not among the readings of {role}: {seen}, {self.status}") from None
        return found[0]


@asynccontextmanager
async def polled(site: Site, name: str = "gauge", *, first_s: float = 0.02) -> AsyncIterator[Watch]:
    """Poll an endpoint with short waits between attempts; stops in time or fails."""
    silence_libraries()
    watch = Watch()
    watch.status = EndpointStatus(name=name, protocol=site.endpoints[name].protocol)
    clock = SystemClock()
    backoff = Backoff(first_s=first_s, longest_s=4 * first_s, jitter=lambda: 1.0)
    source = source_of(site, name, clock)
    poller = EndpointPoller(name, source, watch.take, clock, watch.status, watch.tell, backoff=backoff)
    stop = asyncio.Event()
    task = asyncio.create_task(poller.run(stop))
    try:
        yield watch
        assert not task.done(), task
    finally:
        stop.set()
        async with asyncio.timeout(SOON):
            await task
        assert watch.status.state is EndpointState.DISCONNECTED
