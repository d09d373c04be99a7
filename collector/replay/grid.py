"""Recorded rows on the grid of samples."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from checks.samples import BAD, FLAG_HELD, GOOD, Samples

STEPS = (1, 2, 3, 4, 5, 6, 10, 12, 15, 20, 30, 60)
"""Steps that samples may have [s]."""
SHORTEST_STEP_S, LONGEST_STEP_S = 0.2, 60.0
HOLD_PERIODS = 2.0

Floats = NDArray[np.float64]


def grid_step(file_step_s: float) -> int:
    """The step of the samples for a file with this step [s]: the longest one that divides a minute and is not longer."""
    return max((step for step in STEPS if step <= file_step_s + 1e-6), default=1)


@dataclass(slots=True)
class _Carried:
    """The last reading of a role before the present piece."""

    time: float = -math.inf
    value: float = math.nan
    quality: int = BAD


@dataclass(slots=True)
class Grid:
    """Puts the rows of one loop on the grid, piece by piece; what comes out does not depend on where the pieces end.

    A slot holds for each role its last good reading, else NaN with quality 2. Where the rows lie on the grid already, that is
    all: a row that is not there is a gap. Where they do not (another step, times off the grid), and for a role whose tag
    declares a longer period than the file's step, a reading is held for `hold_s` [s], never interpolated; a reading that the
    file calls bad ends the hold.

    Parameters
    ----------
    loop : str
        Loop id.
    step_s : int
        Step of the samples [s].
    gap_s : float
        Longest stretch without a row that is bridged by holding [s]; 0 where the rows lie on the grid.
    hold_s : mapping of role to float
        How long a reading stands for the present [s], 0 for not at all.
    """

    loop: str
    step_s: int
    gap_s: float
    hold_s: Mapping[str, float]
    _rows: _Rows | None = None
    _carried: dict[str, _Carried] = field(default_factory=dict)

    def push(
        self, time: Floats, values: Mapping[str, Floats], quality: Mapping[str, Floats], flags: Floats | None
    ) -> Samples | None:
        """Take rows (in order of time [epoch s]); returns the slots that are complete, None where there are none."""
        rows = _Rows(time, dict(values), dict(quality), np.zeros(len(time)) if flags is None else flags)
        if self._rows is not None:
            rows = self._rows.followed_by(rows)
        open_slot = math.floor(rows.time[-1] / self.step_s)
        split = int(np.searchsorted(np.floor(rows.time / self.step_s), open_slot))
        self._rows = rows.part(slice(split, None))
        return self._slots(rows.part(slice(0, split)), open_slot) if split else None

    def finish(self) -> Samples | None:
        """The last slot, at the end of the file."""
        rows, self._rows = self._rows, None
        return self._slots(rows, None) if rows is not None and len(rows.time) else None

    def _slots(self, rows: _Rows, next_slot: int | None) -> Samples:
        slot = np.floor(rows.time / self.step_s).astype(np.int64)
        there, start = np.unique(slot, return_index=True)
        slots = self._bridged(there if next_slot is None else np.append(there, next_slot))
        slots = slots if next_slot is None else slots[slots < next_slot]
        place = np.searchsorted(slots, there)
        flags = np.zeros(len(slots), np.uint8)
        flags[place] = np.maximum.reduceat(np.nan_to_num(rows.flags), start).astype(np.uint8)
        values, quality = {}, {}
        for role in rows.values:
            values[role], quality[role], held = self._column(role, rows, start, place, slots)
            flags[held] |= FLAG_HELD
        return Samples(
            loop=self.loop, step_s=self.step_s, time_s=slots * self.step_s, values=values, quality=quality, flags=flags
        )

    def _bridged(self, there: NDArray[np.int64]) -> NDArray[np.int64]:
        """The slots with rows, and those of gaps short enough to hold over."""
        most = math.floor(self.gap_s / self.step_s)
        extra: list[NDArray[np.int64]] = [
            np.arange(there[i] + 1, there[i + 1]) for i in np.flatnonzero((np.diff(there) > 1) & (np.diff(there) - 1 <= most))
        ]
        return np.sort(np.concatenate([there, *extra]))

    def _column(
        self, role: str, rows: _Rows, start: NDArray[np.int64], place: NDArray[np.int64], slots: NDArray[np.int64]
    ) -> tuple[Floats, NDArray[np.uint8], NDArray[np.bool_]]:
        if role not in rows.quality and len(start) == len(rows.time) == len(slots) and np.isfinite(rows.values[role]).all():
            self._carried[role] = _Carried(float(rows.time[-1]), float(rows.values[role][-1]), GOOD)
            return rows.values[role], np.full(len(slots), GOOD, np.uint8), np.zeros(len(slots), np.bool_)
        said = np.nan_to_num(rows.quality[role], nan=float(GOOD)) if role in rows.quality else np.zeros(len(rows.time))
        good = np.isfinite(rows.values[role]) & (said < BAD)
        number = np.arange(len(rows.time))
        last_good = np.maximum.reduceat(np.where(good, number, -1), start)
        last_bad = np.maximum.reduceat(np.where(said >= BAD, number, -1), start)
        chosen = np.where(last_good >= 0, last_good, last_bad)
        carried = self._carried.setdefault(role, _Carried())
        time = np.full(len(slots) + 1, -math.inf)
        value = np.full(len(slots) + 1, math.nan)
        code = np.full(len(slots) + 1, BAD, np.uint8)
        time[0], value[0], code[0] = carried.time, carried.value, carried.quality
        got = chosen >= 0
        target, source = place[got] + 1, chosen[got]
        time[target] = rows.time[source]
        fine = last_good[got] >= 0
        value[target] = np.where(fine, rows.values[role][source], math.nan)
        code[target] = np.where(fine, said[source], BAD).astype(np.uint8)
        read = np.zeros(len(slots) + 1, np.bool_)
        read[target] = True
        newest = np.maximum.accumulate(np.where(read, np.arange(len(slots) + 1), 0))
        last = newest[-1]
        self._carried[role] = _Carried(float(time[last]), float(value[last]), int(code[last]))
        newest = newest[1:]
        fresh = newest == np.arange(1, len(slots) + 1)
        held = ~fresh & ((slots + 1) * self.step_s - time[newest] <= self.hold_s.get(role, 0.0) + 1e-9)
        use = (fresh | held) & (code[newest] < BAD)
        return np.where(use, value[newest], math.nan), np.where(use, code[newest], BAD).astype(np.uint8), held & use


@dataclass(frozen=True, slots=True)
class _Rows:
    time: Floats
    values: dict[str, Floats]
    quality: dict[str, Floats]
    flags: Floats

    def part(self, rows: slice) -> _Rows:
        return _Rows(
            self.time[rows],
            {name: column[rows] for name, column in self.values.items()},
            {name: column[rows] for name, column in self.quality.items()},
            self.flags[rows],
        )

    def followed_by(self, other: _Rows) -> _Rows:
        return _Rows(
            np.concatenate([self.time, other.time]),
            {name: np.concatenate([column, other.values[name]]) for name, column in self.values.items()},
            {name: np.concatenate([column, other.quality[name]]) for name, column in self.quality.items()},
            np.concatenate([self.flags, other.flags]),
        )
