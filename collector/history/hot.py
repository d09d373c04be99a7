"""Samples of days that are not sealed yet: one SQLite file a UTC day, one row a second and loop.

The rows go through sqlite3 itself: SQLAlchemy Core was measured at 2.6 times the cost for 50 loops at 1 Hz. Quality is one
byte a role in the order of the columns; 255 marks a role that the loop did not have. NaN lies there as NULL. The
columns have no type: as REAL, SQLite would keep whole numbers as integers and lose the sign of minus zero.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from checks.samples import BAD, Samples
from collector.columns import roles_of, stacked
from collector.history.layout import DAY_S, Layout, address, day_name
from config.errors import StoreError

ABSENT = 255
TABLES = (
    "CREATE TABLE IF NOT EXISTS roles(position INTEGER PRIMARY KEY, role TEXT NOT NULL UNIQUE)",
    "CREATE TABLE IF NOT EXISTS loops(loop TEXT PRIMARY KEY, step INTEGER NOT NULL, roles TEXT NOT NULL)",
    """CREATE TABLE IF NOT EXISTS samples(
        ts INTEGER NOT NULL, loop TEXT NOT NULL, flags INTEGER NOT NULL, quality BLOB NOT NULL, PRIMARY KEY(ts, loop)
    ) WITHOUT ROWID""",
)


@dataclass(frozen=True, slots=True)
class HotLoop:
    """What a day file knows of a loop: the step of its samples [s] and its roles in the order in which they came."""

    step_s: int
    roles: tuple[str, ...]


class HotDay:
    """The file of one day, open for writing. Every call of `append` is one transaction."""

    def __init__(self, path: Path) -> None:
        self._connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=10.0)
        try:
            for pragma in ("journal_mode=WAL", "synchronous=FULL", "journal_size_limit=67108864"):
                self._connection.execute(f"PRAGMA {pragma}")
            self._connection.execute("BEGIN IMMEDIATE")
            for table in TABLES:
                self._connection.execute(table)
            self._connection.execute("COMMIT")
            self._read_back()
        except BaseException:
            self._connection.close()
            raise

    def _read_back(self) -> None:
        self._roles = read_roles(self._connection)
        self._loops = read_loops(self._connection)

    def append(self, parts: Sequence[Samples]) -> int:
        """Write rows of this day; a second of a loop that is there already stays as it was. Returns how many were new."""
        connection = self._connection
        connection.execute("BEGIN IMMEDIATE")
        try:
            alike: dict[tuple[str, ...], list[Samples]] = {}
            for part in parts:
                self._learn(part)
                alike.setdefault(roles_of(part.values), []).append(part)
            new = sum(self._insert(group) for group in alike.values())
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:  # SQLite rolls back by itself when the disk is full
                connection.execute("ROLLBACK")
            self._read_back()
            raise
        return new

    def _learn(self, part: Samples) -> None:
        """Make room for the roles of a loop, and keep their order."""
        known = self._loops.get(part.loop)
        if known is not None and known.step_s != part.step_s:
            raise StoreError(
                f"{part.loop} has samples every {known.step_s} s on {day_name(int(part.time_s[0]) // DAY_S)},"
                f" so samples every {part.step_s} s cannot be added to that day",
                fix="leave that day out of what is imported, or resample it",
            )
        roles = roles_of(part.values)
        if known is not None and roles == known.roles:
            return
        for role in roles:
            if role not in self._roles:
                self._connection.execute("INSERT INTO roles VALUES (?, ?)", (len(self._roles), role))
                self._connection.execute(f'ALTER TABLE samples ADD COLUMN "v_{role}"')
                self._roles.append(role)
        if known is not None:
            roles += tuple(role for role in known.roles if role not in roles)
        self._connection.execute("INSERT OR REPLACE INTO loops VALUES (?, ?, ?)", (part.loop, part.step_s, json.dumps(roles)))
        self._loops[part.loop] = HotLoop(part.step_s, roles)

    def _insert(self, parts: Sequence[Samples]) -> int:
        """Write rows of loops that have the same roles, all in one statement."""
        place = {role: number for number, role in enumerate(self._roles)}
        present = [role for role in self._roles if role in parts[0].values]
        rows = sum(len(part) for part in parts)
        quality = np.full((rows, len(place)), ABSENT, np.uint8)
        values, codes_of = _matrices(parts, present)
        quality[:, [place[role] for role in present]] = codes_of.T
        lacking = [bool(np.isnan(column).any()) for column in values]
        plain: list[list[float]] = values.tolist()
        columns = [
            [None if value != value else value for value in column] if gaps else column
            for column, gaps in zip(plain, lacking, strict=True)
        ]
        names = "".join(f', "v_{role}"' for role in present)
        places = ", ?" * len(present)
        codes = quality.tobytes()
        before = self._connection.total_changes
        self._connection.executemany(
            f"INSERT OR IGNORE INTO samples(ts, loop, flags, quality{names}) VALUES (?, ?, ?, ?{places})",  # noqa: S608
            zip(
                np.concatenate([part.time_s for part in parts]).tolist(),
                chain.from_iterable([part.loop] * len(part) for part in parts),
                np.concatenate([part.flags for part in parts]).tolist(),
                [codes[row * len(place) : (row + 1) * len(place)] for row in range(rows)],
                *columns,
                strict=True,
            ),
        )
        return self._connection.total_changes - before

    def close(self) -> None:
        """Check-point and close."""
        self._connection.close()


def _matrices(parts: Sequence[Samples], roles: Sequence[str]) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Values and qualities of some roles, all parts behind each other, shape (roles, rows)."""
    whole = stacked(parts)
    if whole is None:
        shape = len(roles), sum(len(part) for part in parts)
        return (
            np.array([np.concatenate([part.values[role] for part in parts]) for role in roles]).reshape(shape),
            np.array([np.concatenate([part.quality[role] for part in parts]) for role in roles], np.uint8).reshape(shape),
        )
    order = [roles_of(parts[0].values).index(role) for role in roles]
    return whole[0][order], whole[1][order]


def read_roles(connection: sqlite3.Connection) -> list[str]:
    """The role columns of a file in the order of its quality bytes."""
    return [row[0] for row in connection.execute("SELECT role FROM roles ORDER BY position")]


def read_loops(connection: sqlite3.Connection) -> dict[str, HotLoop]:
    """The loops of a file."""
    rows = connection.execute("SELECT loop, step, roles FROM loops ORDER BY loop")
    return {loop: HotLoop(step, tuple(json.loads(roles))) for loop, step, roles in rows}


def _is_made(connection: sqlite3.Connection) -> bool:
    """False where the writer was stopped between making the file and making its tables."""
    return connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'samples'").fetchone() is not None


class HotReader:
    """Reads a day file beside its writer, without ever writing to it."""

    def __init__(self, path: Path) -> None:
        self._connection = sqlite3.connect(address(path, read_only=True), uri=True, timeout=10.0)
        self._made = _is_made(self._connection)

    def __enter__(self) -> HotReader:
        return self

    def __exit__(self, *exc: object) -> None:
        self._connection.close()

    def loops(self) -> list[str]:
        """Loops that have rows in this file."""
        return list(read_loops(self._connection)) if self._made else []

    def extent(self, loop: str) -> tuple[int, int] | None:
        """First second, and last second plus its step; None where the loop has no row."""
        known = read_loops(self._connection).get(loop) if self._made else None
        if known is None:
            return None
        ends = []
        for order in ("ASC", "DESC"):  # two walks that stop at the first row; min and max together would read the whole day
            row = self._connection.execute(
                f"SELECT ts FROM samples WHERE loop = ? ORDER BY ts {order} LIMIT 1",  # noqa: S608
                (loop,),
            ).fetchone()
            if row is None:
                return None
            ends.append(int(row[0]))
        return ends[0], ends[1] + known.step_s

    def read(self, loop: str, begin: int, end: int, only: str | None = None) -> Samples | None:
        """The rows of a loop in a time, None where there are none; `only` leaves out all roles but one."""
        known = read_loops(self._connection).get(loop) if self._made else None
        if known is None:
            return None
        place = {role: number for number, role in enumerate(read_roles(self._connection))}
        wanted = [role for role in known.roles if only is None or role == only]
        names = "".join(f', "v_{role}"' for role in wanted)
        rows = self._connection.execute(
            f"SELECT ts, flags, quality{names} FROM samples WHERE ts >= ? AND ts < ? AND loop = ? ORDER BY ts",  # noqa: S608
            (begin, end, loop),
        ).fetchall()
        if not rows:
            return None
        columns = list(zip(*rows, strict=True))
        quality = np.frombuffer(b"".join(blob.ljust(len(place), bytes([ABSENT])) for blob in columns[2]), np.uint8)
        quality = quality.reshape(len(rows), len(place))
        values: dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]] = {}
        qualities = {}
        for number, role in enumerate(wanted):
            column = quality[:, place[role]]
            if bool((column == ABSENT).all()):
                continue
            values[role] = np.array(columns[3 + number], np.float64)
            qualities[role] = np.where(column == ABSENT, BAD, column).astype(np.uint8)
        return Samples(
            loop=loop, step_s=known.step_s, time_s=np.array(columns[0], np.int64), values=values, quality=qualities,
            flags=np.array(columns[1], np.uint8),
        )  # fmt: skip


def by_day(samples: Samples) -> list[tuple[int, Samples]]:
    """The rows of each UTC day."""
    if not len(samples):
        return []
    first, last = int(samples.time_s[0]) // DAY_S, int(samples.time_s[-1]) // DAY_S
    if first == last:
        return [(first, samples)]
    cuts = np.searchsorted(samples.time_s, np.arange(first, last + 2) * DAY_S)
    parts = [(first + number, samples[slice(int(cuts[number]), int(cuts[number + 1]))]) for number in range(len(cuts) - 1)]
    return [(day, part) for day, part in parts if len(part)]


def _unlink(path: Path) -> None:
    for ending in ("", "-wal", "-shm", "-journal"):
        path.with_name(path.name + ending).unlink(missing_ok=True)


class HotDays:
    """All day files that are not sealed, written by one thread at a time."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._open: dict[int, HotDay] = {}
        self._lock = threading.RLock()

    def append(self, parts: Sequence[Samples]) -> int:
        """Write rows, each into the file of its day; the files of a call are written one after the other."""
        days: dict[int, list[Samples]] = {}
        for whole in parts:
            for day, part in by_day(whole):
                days.setdefault(day, []).append(part)
        with self._lock:
            return sum(self._day(day).append(rows) for day, rows in sorted(days.items()))

    def _day(self, day: int) -> HotDay:
        if day not in self._open:
            while len(self._open) > 2:
                self._open.pop(min(self._open)).close()
            path = self._layout.hot(day)
            if not path.exists():
                _unlink(path)  # a log without its file, left by a kill, must not be taken for the log of the new one
            self._open[day] = HotDay(path)
        return self._open[day]

    def release(self, day: int) -> None:
        """Close the file of a day, so that it may be removed."""
        with self._lock:
            found = self._open.pop(day, None)
            if found is not None:
                found.close()

    def remove(self, day: int) -> None:
        """Remove the file of a sealed day."""
        with self._lock:
            self.release(day)
            _unlink(self._layout.hot(day))

    def close(self) -> None:
        """Close all files."""
        with self._lock:
            for day in list(self._open):
                self.release(day)
