"""The embedded history: hot days in SQLite, sealed days in Parquet, everything else in `state.db`. No server."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import sqlalchemy as sa

from checks.blocks import Blocks
from checks.merge import concat
from checks.samples import Samples
from collector.clock import Clock
from collector.history import archive, rollups, trends
from collector.history.hot import HotDays, HotReader
from collector.history.layout import DAY_S, Layout, day_of
from collector.history.lock import FolderLock, refuse_network
from collector.history.state import StateDb
from collector.history.store import Event, Trend
from collector.history.tables import EVENTS, MANIFEST, ROLLUPS
from config.errors import StoreError
from config.model import Site

SEAL_AFTER_S = 600
"""How long after the end of a UTC day it is sealed [s]; later rows of that day are refused."""


def open_store(data: Path, site: Site, *, clock: Clock, read_only: bool = False) -> SqliteStore:
    """Open the history of a data folder; made where there is none.

    Raises
    ------
    StoreError
        Another service writes here, the history is newer or damaged, or the folder cannot be used.
    """
    layout = Layout(data)
    if read_only:
        if not layout.state.exists():
            raise StoreError("there is no history here", where=str(data), fix="name the data folder of a service with --data")
        return SqliteStore(layout, site, StateDb(layout.state, read_only=True), clock, None)
    layout.make()
    refuse_network(data)
    lock = FolderLock(layout.lock)
    try:
        state = StateDb(layout.state)
    except StoreError:
        lock.close()
        raise
    return SqliteStore(layout, site, state, clock, lock)


class SqliteStore:
    """See `collector.history.store.Store`. `state` is the database that alerts and outbox share."""

    def __init__(self, layout: Layout, site: Site, state: StateDb, clock: Clock, lock: FolderLock | None) -> None:
        self.state = state
        self._layout = layout
        self._site = site
        self._clock = clock
        self._lock = lock
        self._hot = HotDays(layout)
        self._sealed = self._manifest()
        if lock is not None:
            self._finish_seals()

    def append(self, batch: Sequence[Samples]) -> int:
        """Store closed samples; a sealed day takes no more."""
        try:
            return self._hot.append([part for whole in batch for part in self._unsealed(whole)])
        except (sqlite3.Error, OSError) as error:
            raise StoreError(f"samples cannot be written ({error})", where=str(self._layout.root)) from error

    def _unsealed(self, samples: Samples) -> Iterator[Samples]:
        days = samples.time_s // DAY_S
        for day in np.unique(days).tolist():
            if (samples.loop, day) not in self._sealed:
                first, last = np.searchsorted(days, [day, day + 1])
                yield samples[slice(int(first), int(last))]

    def scan(self, loop: str, begin: int, end: int) -> Iterator[Samples]:
        """The stored samples of a loop, a day at most at a time."""
        for day in range(day_of(begin), day_of(max(begin, end - 1)) + 1):
            found = self._day(loop, day, max(begin, day * DAY_S), min(end, (day + 1) * DAY_S))
            if found is not None and len(found):
                yield found

    def _day(self, loop: str, day: int, begin: int, end: int) -> Samples | None:
        for _ in range(3):
            if (loop, day) in self._sealed:
                try:
                    return archive.read(self._layout.archive(loop, day), begin, end)
                except FileNotFoundError:
                    self._sealed = self._manifest()
                    continue
            try:
                path = self._layout.hot(day)
                if path.exists():
                    with HotReader(path) as hot:
                        found = hot.read(loop, begin, end)
                    if found is not None:
                        return found
            except sqlite3.OperationalError:
                pass
            fresh = self._manifest()
            if (loop, day) not in fresh:
                return None
            self._sealed = fresh
        return None

    def trend(self, loop: str, role: str, begin: int, end: int, max_points: int = 2000) -> Trend:
        """A role over a time."""
        row_s = trends.source_of(end - begin)
        if row_s == 1:
            parts = []
            for samples in self.scan(loop, begin, end):
                values = samples.column(role)
                parts.append((samples.time_s, np.isfinite(values).astype(np.float64), values, values, values))
            return trends.bucketed(loop, role, begin, end, max_points, row_s, parts)
        with self.state.transaction() as connection:
            stored = rollups.read(connection, loop, row_s, begin, end)
        rows = []
        for part in stored:
            columns = [part.role(name, role) for name in ("n", "minimum", "mean", "maximum")]
            if columns[0] is not None:
                n, low, mean, high = (column for column in columns if column is not None)
                rows.append((part.start_s, n, low, mean, high))
        return trends.bucketed(loop, role, begin, end, max_points, row_s, rows)

    def add_rollups(self, blocks: Blocks) -> None:
        """Store merged blocks."""
        if len(blocks):
            with self._writing() as connection:
                rollups.add(connection, blocks)

    def rollups(self, loop: str, length_s: int, begin: int, end: int) -> Blocks | None:
        """Stored merged blocks; only those of the newest layout where the roles changed on the way."""
        with self.state.transaction() as connection:
            stored = rollups.read(connection, loop, length_s, begin, end)
        if not stored:
            return None
        alike = [part for part in stored if part.layout == stored[-1].layout]
        return concat([rollups.blocks_of(part, loop, length_s) for part in alike])

    def add_event(self, event: Event) -> None:
        """Write one event."""
        with self._writing() as connection:
            connection.execute(
                EVENTS.insert().values(
                    time=event.time, loop=event.loop, kind=event.kind, text=event.text, old=event.old, new=event.new
                )
            )

    def events(self, begin: float, end: float, loop: str | None = None) -> list[Event]:
        """Events of a time, oldest first."""
        wanted = sa.select(EVENTS).where(EVENTS.c.time >= begin, EVENTS.c.time < end).order_by(EVENTS.c.time, EVENTS.c.id)
        if loop is not None:
            wanted = wanted.where(EVENTS.c.loop == loop)
        with self.state.transaction() as connection:
            return [
                Event(time=row.time, loop=row.loop, kind=row.kind, text=row.text, old=row.old, new=row.new)
                for row in connection.execute(wanted)
            ]

    def extent(self, loop: str) -> tuple[int, int] | None:
        """First second and last second + 1 of a loop."""
        with self.state.transaction() as connection:
            row = connection.execute(
                sa.select(sa.func.min(MANIFEST.c.first_s), sa.func.max(MANIFEST.c.last_s)).where(MANIFEST.c.loop == loop)
            ).one()
        found = [] if row[0] is None else [(int(row[0]), int(row[1]))]
        for day in self._layout.hot_days():
            with HotReader(self._layout.hot(day)) as hot:
                here = hot.extent(loop)
            found += [here] if here is not None else []
        return (min(first for first, _ in found), max(last for _, last in found)) if found else None

    def seal(self, now: float) -> int:
        """Seal the days that are over: archive file, manifest row, and only then the hot file goes."""
        sealed = 0
        for day in self._layout.hot_days():
            if (day + 1) * DAY_S + SEAL_AFTER_S > now:
                continue
            with HotReader(self._layout.hot(day)) as hot:
                loops = [loop for loop in hot.loops() if (loop, day) not in self._sealed]
                for loop in loops:
                    samples = hot.read(loop, day * DAY_S, (day + 1) * DAY_S)
                    assert samples is not None
                    self.put_sealed(samples, day)
                    sealed += 1
            self._hot.remove(day)
        return sealed

    def put_sealed(self, samples: Samples, day: int) -> None:
        """Write a whole loop-day into the archive and enter it into the manifest."""
        done = archive.write(self._layout.archive(samples.loop, day), samples)
        with self._writing() as connection:
            connection.execute(
                MANIFEST.insert().prefix_with("OR REPLACE").values(
                    loop=samples.loop, day=day, rows=done.rows, first_s=done.first_s, last_s=done.last_s, sha256=done.sha256
                )
            )  # fmt: skip
        self._sealed.add((samples.loop, day))

    def has_day(self, loop: str, day: int) -> bool:
        """Whether any sample of a loop-day is stored."""
        return (loop, day) in self._sealed or next(self.scan(loop, day * DAY_S, (day + 1) * DAY_S), None) is not None

    def retain(self, now: float) -> int:
        """Drop what is older than the retention of the site: archive days, then old rollups."""
        kept, dropped = self._site.history, 0
        if kept.raw is not None:
            last = day_of(now - kept.raw)
            for loop, day in sorted(self._sealed):
                if day < last:
                    with self._writing() as connection:
                        connection.execute(MANIFEST.delete().where(MANIFEST.c.loop == loop, MANIFEST.c.day == day))
                    self._layout.archive(loop, day).unlink(missing_ok=True)
                    self._sealed.discard((loop, day))
                    dropped += 1
        for length, seconds in ((60, kept.minute), (3600, kept.hour)):
            if seconds is not None:
                with self._writing() as connection:
                    old = (ROLLUPS.c.length_s == length) & (ROLLUPS.c.start_s < int(now - seconds))
                    connection.execute(ROLLUPS.delete().where(old))
        return dropped

    def close(self) -> None:
        """Close everything and give the folder back."""
        self._hot.close()
        self.state.close()
        if self._lock is not None:
            self._lock.close()

    def _manifest(self) -> set[tuple[str, int]]:
        with self.state.transaction() as connection:
            return {(row.loop, row.day) for row in connection.execute(sa.select(MANIFEST.c.loop, MANIFEST.c.day))}

    def _finish_seals(self) -> None:
        """Remove hot files whose every loop is in the manifest: a kill may have come before they went."""
        for day in self._layout.hot_days():
            with HotReader(self._layout.hot(day)) as hot:
                try:
                    loops = hot.loops()
                except sqlite3.OperationalError:
                    continue
            if loops and all((loop, day) in self._sealed for loop in loops):
                self._hot.remove(day)

    def _writing(self) -> _Writing:
        return _Writing(self.state)


class _Writing:
    """A transaction whose database errors come out as StoreError."""

    def __init__(self, state: StateDb) -> None:
        self._state = state
        self._inner = state.transaction()

    def __enter__(self) -> sa.Connection:
        return self._inner.__enter__()

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: object) -> None:
        try:
            self._inner.__exit__(kind, error, trace)  # type: ignore[arg-type]
        except sa.exc.DBAPIError as failed:
            raise StoreError(f"the history cannot be written ({failed.orig})", where=str(self._state.path)) from failed
