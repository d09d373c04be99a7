"""What the supervisor of an endpoint needs of a protocol, and what one poll brings back."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from collector.bundle import Place, Readings
from collector.reading import BAD, Reading

__all__ = ["Place", "Poll", "Source", "bad_readings"]


@dataclass(slots=True)
class Poll:
    """The outcome of reading one group of tags: a reading for each of them, good or bad, and what happened on the way.

    `replies` counts answers of any sense, `good` those that brought values. `reason` is the first thing that went wrong, empty
    where nothing did. `lost` says that the connection has to be built anew.
    """

    readings: Sequence[Reading] = field(default_factory=Readings)
    replies: int = 0
    good: int = 0
    timeouts: int = 0
    bad_frames: int = 0
    exceptions: int = 0
    rtt_s: float | None = None
    reason: str = ""
    lost: bool = False

    def bring(self, readings: Sequence[Reading]) -> None:
        """Add readings."""
        if not isinstance(self.readings, Readings):
            self.readings = Readings(self.readings)
        self.readings.add(readings)

    def blame(self, reason: str) -> None:
        """Keep the first reason."""
        self.reason = self.reason or reason


class Source(Protocol):
    """One endpoint as its protocol reads it. Only one call runs at a time."""

    @property
    def periods(self) -> Sequence[float]:
        """The groups of tags, each named by its period [s]."""
        ...

    def places(self, period: float) -> Sequence[Place]:
        """The tags of a group."""
        ...

    async def connect(self) -> None:
        """Build a new connection; LinkError where that fails, with nothing left open."""
        ...

    async def poll(self, period: float) -> Poll:
        """Read a group once."""
        ...

    async def disconnect(self) -> None:
        """Close what is open; never raises but for a cancel."""
        ...

    def clock_skew_s(self) -> float | None:
        """Clock of the device against ours [s], + = ahead; None where it shows none."""
        ...

    def certificate_expires(self) -> float | None:
        """When our client certificate ends [epoch s]; None where none is used."""
        ...

    def notice(self) -> str:
        """What a person should know about this connection, told once; empty where there is nothing."""
        ...


def bad_readings(places: Iterable[Place], reason: str, receive_time: float) -> list[Reading]:
    """A bad reading for each tag, so that what could not be read is bad and not silent."""
    return [
        Reading(loop=loop, role=role, value=math.nan, quality=BAD, receive_time=receive_time, reason=reason)
        for loop, role in places
    ]
