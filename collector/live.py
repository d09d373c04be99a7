"""The latest state of everything, in memory: the service writes it; pages, REST and metrics read it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from checks.evaluation import Evaluation
from checks.finding import Finding
from collector.bundle import Latest, parts_of
from collector.reading import Reading
from config.model import Site


class EndpointState(StrEnum):
    """State of the connection to one endpoint."""

    DISCONNECTED = "disconnected"
    CONNECTING = "connecting"
    UP = "up"
    DEGRADED = "degraded"
    BACKOFF = "backoff"


@dataclass(slots=True, kw_only=True)
class EndpointStatus:
    """What is known of one endpoint; counters only grow."""

    name: str
    protocol: str
    state: EndpointState = EndpointState.DISCONNECTED
    reason: str = ""
    since: float = 0.0
    last_good: float | None = None
    rtt_s: float | None = None
    polls: int = 0
    timeouts: int = 0
    bad_frames: int = 0
    exceptions: int = 0
    reconnects: int = 0
    skipped_slots: int = 0
    lateness_s: float = 0.0
    clock_skew_s: float | None = None
    certificate_expires: float | None = None
    lent_until: float = 0.0
    """Until when the connection is left to somebody else who asked for it [epoch s]; past or 0: it is ours."""
    lent_to: str = ""


@dataclass(slots=True)
class LiveState:
    """Latest evaluation per loop, latest reading per tag, endpoints, counters of the service itself."""

    site: Site
    site_sha256: str
    site_path: str = ""
    started: float = 0.0
    evaluations: dict[str, Evaluation] = field(default_factory=dict)
    standing: dict[str, tuple[Finding, ...]] = field(default_factory=dict)
    """The findings of the episodes that stand, by loop: what the alerts know a fault by, also while it is not to be seen."""
    readings: Latest = field(default_factory=Latest)
    """The latest reading of each tag, by loop and role."""
    endpoints: dict[str, EndpointStatus] = field(default_factory=dict)
    counters: dict[str, float] = field(default_factory=dict)
    """Names without prefix: late_readings, check_errors, history_errors, queue_dropped, clock_steps, loop_lag_s ..."""
    problems: dict[str, str] = field(default_factory=dict)
    """What the service itself lacks, by short key ("history": "disk full, verifying in memory since ...")."""
    notes: dict[str, str] = field(default_factory=dict)
    """What people should know of what they look at, and is no problem, by short key."""
    published: dict[str, str] = field(default_factory=dict)
    """Where verdicts are published, by protocol."""
    published_to: dict[str, int] = field(default_factory=dict)
    """Clients that are connected there, by protocol; empty while nothing is published."""
    held: frozenset[str] | None = None
    """The loops that this collector verifies, None where it is the only one and verifies all."""
    elsewhere: dict[str, str] = field(default_factory=dict)
    """The address of the page that shows a loop which another collector verifies, '' where nobody does at the moment."""
    looked_at: float = 0.0
    """When somebody last asked for a page or for an answer over REST [epoch s]."""
    members: int = 0
    """How many collectors share the loops."""
    acts_for_site: bool = True
    """Whether this collector is the one that reminds, delivers and reports for all."""
    _changed: asyncio.Event = field(default_factory=asyncio.Event)
    _version: int = 0
    news: int = 0
    """Grows with whatever is of interest to every page: alerts, endpoints, the service itself."""
    moves: int = 0
    """Grows when the verdict of a loop changes, so that the order of the loops may change."""

    @property
    def mine(self) -> list[str]:
        """The loops that are verified here, in the order of the site file."""
        return [loop for loop in self.site.loops if self.held is None or loop in self.held]

    def forget(self, loop: str) -> None:
        """Drop what is known of a loop that another collector verifies from now on."""
        self.evaluations.pop(loop, None)
        self.standing.pop(loop, None)
        for place in [place for place in self.readings if place[0] == loop]:
            del self.readings[place]

    def take_readings(self, readings: Sequence[Reading]) -> None:
        """Keep the latest reading of each tag."""
        for part in parts_of(readings):
            self.readings.take(part)

    def take_evaluation(self, evaluation: Evaluation) -> None:
        """Keep the latest evaluation of a loop and wake whoever watches."""
        before = self.evaluations.get(evaluation.loop)
        self.evaluations[evaluation.loop] = evaluation
        if before is None or before.verdict is not evaluation.verdict:
            self.moves += 1
        self._wake()

    def count(self, name: str, amount: float = 1.0) -> None:
        """Add to a counter of the service."""
        self.counters[name] = self.counters.get(name, 0.0) + amount

    @property
    def mark(self) -> str:
        """What a page notes, to know at its first event whether anything has happened since it was made."""
        return f"{self.news}.{self.moves}"

    def touch(self) -> None:
        """Tell all watchers that something changed that is no evaluation."""
        self.news += 1
        self._wake()

    def _wake(self) -> None:
        self._version += 1
        self._changed.set()
        self._changed = asyncio.Event()

    async def changes(self) -> AsyncIterator[int]:
        """Yield a growing version number each time something changed; slow watchers miss versions, never the last."""
        seen = -1
        while True:
            if seen == self._version:
                await self._changed.wait()
            seen = self._version
            yield seen
