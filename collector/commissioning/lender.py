"""Connections of the service that runs, lent from inside it: the pollers let go for the time, and take them back by themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from collector.clock import Clock
from collector.live import EndpointState, LiveState

LENT_S = 120.0
"""For how long a connection is lent at a time; each read renews it [s]."""
LETTING_GO_S = 8.0
LOOK_S = 0.2
HELD = (EndpointState.UP, EndpointState.DEGRADED)


@dataclass(slots=True)
class Lender:
    """Lends connections by the name of their endpoint; an endpoint that the service does not have is passed over."""

    live: LiveState
    clock: Clock

    async def borrow(self, names: Sequence[str], to: str) -> None:
        """Let the pollers go of their connections, and wait until they have, which they do at their next poll."""
        self.lend(names, to)
        until = self.clock.monotonic() + LETTING_GO_S
        while any(self.live.endpoints[name].state in HELD for name in names if name in self.live.endpoints):
            if self.clock.monotonic() >= until:
                return
            await self.clock.sleep_until(self.clock.monotonic() + LOOK_S)

    def lend(self, names: Sequence[str], to: str) -> None:
        """Lend, or lend for longer."""
        for name in names:
            status = self.live.endpoints.get(name)
            if status is not None:
                status.lent_to, status.lent_until = to, self.clock.now() + LENT_S
        if names:
            self.live.touch()

    def give_back(self, names: Sequence[str]) -> None:
        """Give all back."""
        for name in names:
            status = self.live.endpoints.get(name)
            if status is not None:
                status.lent_until = 0.0
        if names:
            self.live.touch()
