"""A clock for what waits for seconds and has nobody to move it."""

from __future__ import annotations

from collector.clock import ManualClock


class Instant(ManualClock):
    """Waiting takes no time; the time goes on by what was waited for."""

    async def sleep_until(self, deadline: float) -> None:
        step = max(0.0, deadline - self._monotonic)
        self._monotonic += step
        self._wall += step
