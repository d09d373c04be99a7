"""The one clock protocol: wall time as a label, monotonic time for everything that waits."""

from __future__ import annotations

import asyncio
import time
from typing import Protocol


class Clock(Protocol):
    """Time as the service sees it."""

    def now(self) -> float:
        """Wall clock [s since 1970 UTC]; may step."""
        ...

    def monotonic(self) -> float:
        """Seconds that never step back."""
        ...

    async def sleep_until(self, deadline: float) -> None:
        """Wait until `monotonic()` reaches `deadline`; returns at once where it has passed."""
        ...


class SystemClock:
    """The clock of the machine."""

    def now(self) -> float:
        return time.time()

    def monotonic(self) -> float:
        return time.monotonic()

    async def sleep_until(self, deadline: float) -> None:
        await asyncio.sleep(max(0.0, deadline - time.monotonic()))


class ManualClock:
    """A clock that tests move by hand; sleepers wake in order of their deadlines."""

    def __init__(self, start: float = 1_800_000_000.0) -> None:
        self._wall = start
        self._monotonic = 0.0
        self._sleepers: list[tuple[float, asyncio.Future[None]]] = []

    def now(self) -> float:
        return self._wall

    def monotonic(self) -> float:
        return self._monotonic

    async def sleep_until(self, deadline: float) -> None:
        if deadline <= self._monotonic:
            await asyncio.sleep(0)
            return
        waiter: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._sleepers.append((deadline, waiter))
        await waiter

    def step_wall(self, seconds: float) -> None:
        """Step the wall clock alone, as an operator or a time server would."""
        self._wall += seconds

    async def advance(self, seconds: float) -> None:
        """Let time pass: wall and monotonic move together, sleepers that come due run in order."""
        target = self._monotonic + seconds
        while True:
            self._sleepers = [item for item in self._sleepers if not item[1].done()]
            due = min((item for item in self._sleepers if item[0] <= target), key=lambda item: item[0], default=None)
            if due is None:
                break
            self._move_to(max(due[0], self._monotonic))
            due[1].set_result(None)
            await asyncio.sleep(0)
            await asyncio.sleep(0)
        self._move_to(target)

    def _move_to(self, monotonic: float) -> None:
        self._wall += monotonic - self._monotonic
        self._monotonic = monotonic
