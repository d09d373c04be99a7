"""Blocks of all loops end in the same second: they are judged in small parts, with rests in which the polls have the interpreter.

While a thread computes, another gets the interpreter only when it is asked for, a thousand times a second at most, and each read and
each request needs it anew: the polls of a wide site would fall behind for as long as its blocks are judged.
"""

from __future__ import annotations

from collector.clock import Clock

PART_S = 0.005
"""How long the polls may be held up by one part [s]."""
MOST_AT_ONCE = 20
SPREAD_S = 6.0
"""Within this time the blocks of all loops are judged, where the machine can [s]."""
LEAST_REST = 0.25
"""Rest behind a part, as a share of what it took, however late it is."""


class Pace:
    """How many loops are judged at once, and how long the rest is behind them."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._each_s = PART_S
        self._began = self._ends = 0.0

    def begin(self, *, behind: bool) -> None:
        """Blocks of some loops wait; where verification is `behind`, they are not spread."""
        self._ends = self._clock.monotonic() + (0.0 if behind else SPREAD_S)

    def many(self) -> int:
        """How many loops are judged next, by what those before took; the most at once where time has run out."""
        self._began = self._clock.monotonic()
        if self._began >= self._ends:
            return MOST_AT_ONCE
        return max(1, min(MOST_AT_ONCE, int(PART_S / self._each_s)))

    async def rest(self, judged: int, left: int) -> None:
        """Rest behind so many loops while so many are left: as long as they took, shorter where time runs out."""
        now = self._clock.monotonic()
        took = now - self._began
        self._each_s = max(took / judged, PART_S / MOST_AT_ONCE)
        if left:
            spare = (self._ends - now) * judged / left - took
            await self._clock.sleep_until(now + max(LEAST_REST * took, min(took, spare)))
