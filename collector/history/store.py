"""What the rest of the service asks of a history, whichever engine keeps it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from checks.blocks import Blocks
from checks.empties import EmptyStretch
from checks.reliability.timeline import Annotation
from checks.samples import Samples
from collector.history.hour_rows import By, FleetLine


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One line of the event ledger: `kind` is a short stable word ("config-change", "clock-step", "endpoint-lost")."""

    time: float
    loop: str
    kind: str
    text: str
    old: str = ""
    new: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A role over time at most `max_points` long: bucket starts [epoch s], and minimum, mean, maximum of each bucket."""

    loop: str
    role: str
    unit: str
    step_s: int
    time_s: NDArray[np.int64]
    minimum: NDArray[np.float64]
    mean: NDArray[np.float64]
    maximum: NDArray[np.float64]


class Store(Protocol):
    """History of samples, rollups and events. Calls are synchronous and short; the service runs them off the loop.

    Times are epoch seconds UTC, `begin` inclusive, `end` exclusive. A second of a loop is stored once: what comes again
    is dropped and counted, never stored twice.
    """

    def append(self, batch: Sequence[Samples]) -> int:
        """Store closed samples of any loops in one transaction; returns how many rows were new."""
        ...

    def scan(self, loop: str, begin: int, end: int) -> Iterator[Samples]:
        """The stored samples of a loop in order of time, in stretches of at most a day, from whichever tier holds them."""
        ...

    def trend(self, loop: str, role: str, begin: int, end: int, max_points: int = 2000) -> Trend:
        """A role over a time, from samples or the finest rollup that fits."""
        ...

    def trends(self, loop: str, roles: Sequence[str], begin: int, end: int, max_points: int = 2000) -> dict[str, Trend]:
        """Several roles over a time, by role: the rows are read once for all of them."""
        ...

    def add_rollups(self, blocks: Blocks) -> None:
        """Store merged blocks (60, 3600 or 86,400 s long); one that is there already is replaced where as much is covered."""
        ...

    def add_rollups_of(self, parts: Sequence[Blocks]) -> None:
        """Store merged blocks of several loops; where one part cannot be stored, any of the others may be."""
        ...

    def rollups(self, loop: str, length_s: int, begin: int, end: int) -> Blocks | None:
        """Stored merged blocks in order of time, None where there are none."""
        ...

    def fleet(self, by: By, begin: int, end: int, top: int) -> list[FleetLine]:
        """The loops of the site over a time [epoch s], the worst by `by` first, at most `top`."""
        ...

    def add_event(self, event: Event) -> None:
        """Write one event."""
        ...

    def events(self, begin: float, end: float, loop: str | None = None) -> list[Event]:
        """Events of a time, oldest first; `loop` None gives all, site-wide events have loop ''."""
        ...

    def add_empties(self, loop: str, stretches: Sequence[EmptyStretch]) -> None:
        """Store stretches of empty running belt of a loop; one that is there already stays as it is."""
        ...

    def empties(self, loop: str) -> list[EmptyStretch]:
        """The stored stretches of empty running belt of a loop, oldest first."""
        ...

    def void_empties(self, loop: str, voids: Sequence[tuple[int, int]]) -> None:
        """Store times in which the numbers of a loop meant nothing [epoch s, first and last]; times that touch become one."""
        ...

    def voids(self, loop: str) -> list[tuple[int, int]]:
        """The times in which the numbers of a loop meant nothing, oldest first."""
        ...

    def annotate(self, annotation: Annotation) -> None:
        """Keep a correction of uptime; none is ever changed."""
        ...

    def annotations(self, loop: str, begin: int, end: int) -> list[Annotation]:
        """The corrections of uptime of a loop that touch a time, in the order in which they were made."""
        ...

    def extent(self, loop: str) -> tuple[int, int] | None:
        """First second and last second + 1 that are stored for a loop, None where there is none."""
        ...

    def seal(self, now: float) -> int:
        """Move whole past UTC days from the hot tier to the archive; returns how many loop-days were sealed."""
        ...

    def retain(self, now: float) -> int:
        """Apply the retention of the site; returns how many loop-days were dropped."""
        ...

    def close(self) -> None:
        """Flush and close; the store cannot be used afterwards."""
        ...
