"""Capturing a point of a loop check: wait until every station stands still, then take the mean of some seconds."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from collector.clock import Clock
from collector.reading import Reading
from collector.records.loop_check import Station

WINDOW_S = 10
"""Seconds over which a reading must stand still, and over which it is averaged."""
STILL = 0.1
"""It stands still where its halves differ by less than this [% of span]; own estimate."""
NOISE = 0.3
"""And where it spreads by less than this, as standard deviation [% of span]; own estimate."""
LONGEST_S = 120.0


class Reader(Protocol):
    """Reads the tags of a loop now; nothing is written."""

    async def read(self) -> Mapping[str, Reading]:
        """The newest reading of each role."""
        ...


@dataclass(frozen=True, slots=True)
class Captured:
    """Means of the roles that were read, and whether they stood still; `why` says which did not."""

    values: dict[str, float]
    still: bool
    why: str


class Window:
    """The last seconds of some roles."""

    def __init__(self, spans: Mapping[str, float], length: int = WINDOW_S) -> None:
        self._spans = dict(spans)
        self._length = length
        self._rows: list[dict[str, float]] = []

    def add(self, readings: Mapping[str, Reading]) -> None:
        """Take the newest readings; a bad one is none."""
        row = {role: readings[role].value if role in readings and readings[role].usable else math.nan for role in self._spans}
        self._rows = [*self._rows, row][-self._length :]

    def look(self) -> Captured:
        """Means over the window, and whether every role stood still in it."""
        columns = {role: np.array([row[role] for row in self._rows], np.float64) for role in self._spans}
        values = {role: float(column.mean()) for role, column in columns.items() if len(column) and np.isfinite(column).all()}
        if len(self._rows) < self._length:
            return Captured(values, False, f"{self._length - len(self._rows)} s more")
        moving = [role for role in values if not self._stands(role, columns[role])]
        missing = [role for role in self._spans if role not in values]
        if moving:
            return Captured(values, False, f"{', '.join(moving)} still moves")
        return Captured(values, len(values) > 0, f"{', '.join(missing)} is not read" if missing else "")

    def _stands(self, role: str, column: np.ndarray[tuple[int], np.dtype[np.float64]]) -> bool:
        half = len(column) // 2
        span = abs(self._spans[role])
        drift = abs(float(column[half:].mean() - column[:half].mean()))
        return drift <= STILL / 100.0 * span and float(column.std()) <= NOISE / 100.0 * span


async def capture(reader: Reader, clock: Clock, spans: Mapping[str, float], *, longest_s: float = LONGEST_S) -> Captured:
    """Read once a second until every role stands still; after `longest_s` [s] what there is, not still.

    `spans` gives each role with the width of its range, by which standing still is judged.
    """
    window, end = Window(spans), clock.monotonic() + longest_s
    while True:
        window.add(await reader.read())
        found = window.look()
        if found.still or clock.monotonic() >= end:
            return found
        await clock.sleep_until(clock.monotonic() + 1.0)


def spans_of(stations: Sequence[Station], roles: Sequence[str]) -> dict[str, float]:
    """Width of the range of each role that is read; `roles` names the role of each station, empty where a person reads it."""
    return {role: station.span for station, role in zip(stations, roles, strict=True) if role}
