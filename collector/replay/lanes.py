"""Tags that come each with its own times, on one grid: held or on a line, no longer than was said, in constant memory."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.samples import BAD, FLAG_HELD, GOOD, Samples
from collector.replay.importer import canonical
from collector.replay.opening import Place
from collector.replay.tables import Piece, open_table
from collector.replay.units import measured
from collector.replay.work import Part
from config.model import Site

SPAN_S = 3600
"""Seconds that are put on the grid at once."""
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One column of one file: `time`, `value` and `quality` (empty: none) are its columns there.

    `alone`: the file has no other readings, so that an empty cell is a reading that is bad and not one of another tag.
    `line`: between two readings the value lies on the line, else it stands; neither for longer than `longest_s` [s].
    `unit`: what the name of the column says that its numbers are in.
    """

    role: str
    path: Place
    time: str
    value: str
    quality: str = ""
    alone: bool = True
    line: bool = False
    longest_s: float
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneSource:
    """The lanes of each loop and the step of the grid [s]."""

    lanes: Mapping[str, tuple[Lane, ...]]
    step_s: int

    def of(self, loop: str) -> LaneSource:
        """The lanes of one loop."""
        return LaneSource(lanes={loop: self.lanes[loop]}, step_s=self.step_s)

    def parts(self, site: Site, loop: str, begin: int) -> Iterator[Part]:
        """An hour at most at a time; rows in which no tag has a value are a gap."""
        readers = {lane.role: _Reader(lane, site, loop) for lane in self.lanes[loop]}
        firsts = [first for reader in readers.values() if (first := reader.first()) is not None]
        if not firsts:
            return
        at = int(min(firsts) // self.step_s) * self.step_s
        before = 0.0
        while True:
            if begin > at + SPAN_S:
                at += (begin - at) // SPAN_S * SPAN_S
            last = max(reader.read_to(at + SPAN_S) for reader in readers.values())
            over = all(reader.exhausted for reader in readers.values()) and last < at + SPAN_S
            end = min(at + SPAN_S, (int(last // self.step_s) + 1) * self.step_s) if over else at + SPAN_S
            samples = _on_grid(loop, readers, np.arange(at, end, self.step_s, dtype=np.int64), self.step_s)
            done = 1.0 if over else min(reader.done for reader in readers.values())
            later = samples[slice(int(np.searchsorted(samples.time_s, begin)), None)]
            if len(later):
                yield Part(later, before, done)
            before = done
            if over:
                return
            at = self._next(at + SPAN_S, readers)

    def _next(self, at: int, readers: Mapping[str, _Reader]) -> int:
        """Where to go on: here, or behind a stretch in which nothing was stored and nothing stands."""
        due = min((reader.next_due(at) for reader in readers.values()), default=math.inf)
        return at if due <= at or math.isinf(due) else max(at, int(due // self.step_s) * self.step_s)


class _Reader:
    """Reads one lane piece by piece and forgets what lies behind."""

    def __init__(self, lane: Lane, site: Site, loop: str) -> None:
        self.lane = lane
        self.done = 0.0
        self.exhausted = False
        self._tag = measured(site.loops[loop].tags[lane.role], lane.role, lane.unit)
        wanted = [lane.value, *([lane.quality] if lane.quality else [])]
        self._pieces = open_table(lane.path).pieces(lane.time, wanted)
        self._time: Floats = np.zeros(0)
        self._value: Floats = np.zeros(0)
        self._bad = np.zeros(0, np.bool_)

    def first(self) -> float | None:
        """Time of the first reading [epoch s], None where there is none."""
        while not len(self._time) and not self.exhausted:
            self._pull()
        return float(self._time[0]) if len(self._time) else None

    def read_to(self, end: float) -> float:
        """Read until a reading lies at or behind `end`; returns the time of the last one that is there."""
        while not self.exhausted and (not len(self._time) or self._time[-1] < end):
            self._pull()
        return float(self._time[-1]) if len(self._time) else -math.inf

    def next_due(self, at: float) -> float:
        """From when on this lane says something again: `at` itself while a value stands or is drawn, else the next reading."""
        while not self.exhausted and (not len(self._time) or self._time[-1] < at):
            self._pull()
        place = int(np.searchsorted(self._time, at, side="right")) - 1
        if place >= 0 and at - self._time[place] <= self.lane.longest_s and not self._bad[place]:
            return at
        behind = self._time[place + 1 :]
        return float(behind[0]) if len(behind) else math.inf

    def at(self, start: NDArray[np.int64], step_s: int) -> tuple[Floats, NDArray[np.uint8], NDArray[np.bool_]]:
        """Value, quality and whether it is held, for slots that start at these times; what lies before them is forgotten."""
        place = np.searchsorted(self._time, start + step_s, side="left") - 1
        there = place >= 0
        source = np.maximum(place, 0)
        if not len(self._time):
            return np.full(len(start), np.nan), np.full(len(start), BAD, np.uint8), np.zeros(len(start), np.bool_)
        time, value = self._time[source], self._value[source]
        fresh = there & (time >= start)
        stands = there & (fresh | (start + step_s - time <= self.lane.longest_s + 1e-9)) & ~self._bad[source]
        out = np.where(stands, value, np.nan)
        if self.lane.line:
            out, stands = self._drawn(start, step_s, source, there, out, stands)
        self._forget(float(start[0]))
        return out, np.where(stands, GOOD, BAD).astype(np.uint8), stands & ~fresh

    def _drawn(
        self, start: NDArray[np.int64], step_s: int, source: NDArray[np.intp], there: NDArray[np.bool_], out: Floats,
        stands: NDArray[np.bool_],
    ) -> tuple[Floats, NDArray[np.bool_]]:  # fmt: skip
        """On the line from the reading before to the one behind, at the begin of each slot; not beside a bad reading."""
        before = np.maximum(np.searchsorted(self._time, start, side="right") - 1, 0)
        after = np.minimum(before + 1, len(self._time) - 1)
        span = self._time[after] - self._time[before]
        ends = ~self._bad[before] & ~self._bad[after] & (self._time[before] <= start)
        drawn = there & (span > 0.0) & (span <= self.lane.longest_s + 1e-9) & ends
        share = np.divide(start - self._time[before], span, out=np.zeros(len(start)), where=span > 0.0)
        line = self._value[before] + share * (self._value[after] - self._value[before])
        return np.where(drawn, line, out), stands | drawn

    def _forget(self, before: float) -> None:
        """Keep the last reading that lies before a time and what comes behind it."""
        first = max(int(np.searchsorted(self._time, before, side="right")) - 2, 0)
        self._time, self._value, self._bad = self._time[first:], self._value[first:], self._bad[first:]

    def _pull(self) -> None:
        piece = next(self._pieces, None)
        if piece is None:
            self.exhausted, self.done = True, 1.0
            return
        self.done = piece.done
        time, value, bad = self._readings(piece)
        self._time = np.concatenate([self._time, time])
        self._value = np.concatenate([self._value, value])
        self._bad = np.concatenate([self._bad, bad])

    def _readings(self, piece: Piece) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        value = canonical(piece.columns[self.lane.value], self._tag, self.lane.role, self.lane.path)
        missing = ~np.isfinite(value)
        if self.lane.quality:
            bad = np.nan_to_num(piece.columns[self.lane.quality], nan=float(GOOD)) >= BAD
        else:
            bad = missing & self.lane.alone
        told = ~missing | bad
        return piece.time[told], value[told], bad[told]


def _on_grid(loop: str, readers: Mapping[str, _Reader], start: NDArray[np.int64], step_s: int) -> Samples:
    columns = {role: reader.at(start, step_s) for role, reader in readers.items()}
    some = np.zeros(len(start), np.bool_)
    held = np.zeros(len(start), np.bool_)
    for value, _, stood in columns.values():
        some |= np.isfinite(value)
        held |= stood
    return Samples(
        loop=loop, step_s=step_s, time_s=start[some],
        values={role: column[0][some] for role, column in columns.items()},
        quality={role: column[1][some] for role, column in columns.items()},
        flags=np.where(held[some], FLAG_HELD, 0).astype(np.uint8),
    )  # fmt: skip
