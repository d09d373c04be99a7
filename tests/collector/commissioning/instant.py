"""A clock for what waits for seconds and has nobody to move it."""

from __future__ import annotations

from collector.clock import ManualClock

AT_ONCE_S = 10.0


class Instant(ManualClock):
    """Waiting takes no time; the time goes on by what was waited for.

    What waits for longer than `AT_ONCE_S` is a beat beside the work, such as that of an open page: it never comes, or each page
    would turn without a pause and carry the clock days ahead.
    """

    async def sleep_until(self, deadline: float) -> None:
        step = max(0.0, deadline - self._monotonic)
        if step > AT_ONCE_S:
            await super().sleep_until(deadline)
            return
        self._monotonic += step
        self._wall += step
