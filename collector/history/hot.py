"""Samples of days that are not sealed yet: one SQLite file a UTC day, one row a second and loop.

The rows go through sqlite3 itself: SQLAlchemy Core was measured at 2.6 times the cost for 50 loops at 1 Hz. Quality is one
byte a role in the order of the columns; 255 marks a role that the loop did not have. NaN lies there as NULL. The
columns have no type: as REAL, SQLite would keep whole numbers as integers and lose the sign of minus zero.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from checks.samples import BAD, Samples
from collector.history.layout import DAY_S, Layout, address

ABSENT = 255


class HotDay:
    """The file of one day, open for writing. Every call of `append` is one transaction."""

    def __init__(self, path: Path) -> None:
        self._connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=10.0)
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "journal_size_limit=67108864"):
            self._connection.execute(f"PRAGMA {pragma}")
        self._connection.execute("BEGIN IMMEDIATE")
        self._connection.execute("CREATE TABLE IF NOT EXISTS roles(position INTEGER PRIMARY KEY, role TEXT NOT NULL UNIQUE)")
        self._connection.execute(
            "CREATE TABLE IF NOT EXISTS samples(ts INTEGER NOT NULL, loop TEXT NOT NULL, step INTEGER NOT NULL,"
            " flags INTEGER NOT NULL, quality BLOB NOT NULL, PRIMARY KEY(ts, loop)) WITHOUT ROWID"
        )
        self._connection.execute("COMMIT")
        self._roles = read_roles(self._connection)

    def append(self, parts: Sequence[Samples]) -> int:
        """Write rows of this day; a second of a loop that is there already stays as it was. Returns how many were new."""
        connection = self._connection
        connection.execute("BEGIN IMMEDIATE")
        try:
            new = sum(self._insert(part) for part in parts)
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:  # SQLite rolls back by itself when the disk is full
                connection.execute("ROLLBACK")
            self._roles = read_roles(connection)
            raise
        return new

    def _insert(self, part: Samples) -> int:
        for role in part.values:
            if role not in self._roles:
                self._connection.execute("INSERT INTO roles VALUES (?, ?)", (len(self._roles), role))
                self._connection.execute(f'ALTER TABLE samples ADD COLUMN "v_{role}"')
                self._roles.append(role)
        present = [role for role in self._roles if role in part.values]
        quality = np.full((len(part), len(self._roles)), ABSENT, np.uint8)
        for role in present:
            quality[:, self._roles.index(role)] = part.quality[role]
        columns = [[None if value != value else value for value in part.values[role].tolist()] for role in present]
        names = "".join(f', "v_{role}"' for role in present)
        places = ", ?" * len(present)
        before = self._connection.total_changes
        self._connection.executemany(
            f"INSERT OR IGNORE INTO samples(ts, loop, step, flags, quality{names}) VALUES (?, ?, ?, ?, ?{places})",  # noqa: S608
            zip(
                part.time_s.tolist(), [part.loop] * len(part), [part.step_s] * len(part), part.flags.tolist(),
                [row.tobytes() for row in quality], *columns, strict=True,
            ),
        )  # fmt: skip
        return self._connection.total_changes - before

    def close(self) -> None:
        """Check-point and close."""
        self._connection.close()


def read_roles(connection: sqlite3.Connection) -> list[str]:
    """The role columns of a file in the order of its quality bytes."""
    return [row[0] for row in connection.execute("SELECT role FROM roles ORDER BY position")]


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
        if not self._made:
            return []
        return [row[0] for row in self._connection.execute("SELECT DISTINCT loop FROM samples ORDER BY loop")]

    def extent(self, loop: str) -> tuple[int, int] | None:
        """First second, and last second plus its step; None where the loop has no row."""
        if not self._made:
            return None
        row = self._connection.execute("SELECT min(ts), max(ts + step) FROM samples WHERE loop = ?", (loop,)).fetchone()
        return None if row[0] is None else (int(row[0]), int(row[1]))

    def read(self, loop: str, begin: int, end: int) -> Samples | None:
        """The rows of a loop in a time, None where there are none."""
        if not self._made:
            return None
        roles = read_roles(self._connection)
        names = "".join(f', "v_{role}"' for role in roles)
        rows = self._connection.execute(
            f"SELECT ts, step, flags, quality{names} FROM samples WHERE ts >= ? AND ts < ? AND loop = ? ORDER BY ts",  # noqa: S608
            (begin, end, loop),
        ).fetchall()
        if not rows:
            return None
        columns = list(zip(*rows, strict=True))
        quality = np.frombuffer(b"".join(blob.ljust(len(roles), bytes([ABSENT])) for blob in columns[3]), np.uint8)
        quality = quality.reshape(len(rows), len(roles))
        values: dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]] = {}
        qualities = {}
        for position, role in enumerate(roles):
            if bool((quality[:, position] == ABSENT).all()):
                continue
            values[role] = np.array(columns[4 + position], np.float64)
            column = quality[:, position]
            qualities[role] = np.where(column == ABSENT, BAD, column).astype(np.uint8)
        return Samples(
            loop=loop, step_s=int(columns[1][0]), time_s=np.array(columns[0], np.int64), values=values, quality=qualities,
            flags=np.array(columns[2], np.uint8),
        )  # fmt: skip


def _unlink(path: Path) -> None:
    for name in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
        name.unlink(missing_ok=True)


class HotDays:
    """All day files that are not sealed, written by one thread at a time."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._open: dict[int, HotDay] = {}
        self._lock = threading.RLock()

    def append(self, parts: Sequence[Samples]) -> int:
        """Write rows, each into the file of its day; the files of a call are written one after the other."""
        by_day: dict[int, list[Samples]] = {}
        for part in parts:
            if not len(part):
                continue
            days = part.time_s // DAY_S
            for day in np.unique(days).tolist():
                first, last = np.searchsorted(days, [day, day + 1])
                by_day.setdefault(day, []).append(part[slice(int(first), int(last))])
        with self._lock:
            return sum(self._day(day).append(rows) for day, rows in sorted(by_day.items()))

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
