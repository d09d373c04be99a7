"""What every history does alike, whatever keeps its hot days: sealed days, trends, rollups, the rows of the state database."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager

import sqlalchemy as sa

from checks.blocks import Blocks
from checks.empties import EmptyStretch
from checks.merge import concat
from checks.reliability.timeline import Annotation
from checks.samples import Samples
from collector.clock import Clock
from collector.history import annotation_rows, archive, empty_rows, hour_rows, retention, rollups, trend_rows, trends
from collector.history.hot import by_day
from collector.history.hour_rows import By, FleetLine
from collector.history.layout import DAY_S, Layout, day_name, day_of
from collector.history.ledger import Ledger
from collector.history.outbox_rows import OutboxRows
from collector.history.state import StateDb
from collector.history.statements import insert_or_replace
from collector.history.store import Event, Trend
from collector.history.tables import MANIFEST
from collector.history.trends import Rows
from config.errors import StoreError
from config.model import Site

SEAL_AFTER_S = 600
"""How long after the end of a UTC day it is sealed [s]; later rows of that day are refused."""
DELIVERED_KEPT_S = 35 * 86400.0
"""How long a delivered message is kept [s]."""
LoopDay = tuple[str, int]


class TieredStore(ABC):
    """See `collector.history.store.Store`. `state` is the database that alerts and outbox share, `ledger` its events.

    A day lies in the hot tier, which the subclass keeps, until it is sealed into the archive; the manifest says which.
    """

    def __init__(self, layout: Layout, site: Site, state: StateDb, clock: Clock) -> None:
        self.state = state
        self.ledger = Ledger(state)
        self.layout = layout
        self._site = site
        self._clock = clock
        self._gate = threading.RLock()
        self._closing: set[LoopDay] = set()
        self._sealed = self._manifest()

    # --- the hot tier -------------------------------------------------------------------------------------------------

    @abstractmethod
    def append(self, batch: Sequence[Samples]) -> int:
        """Store closed samples; a sealed day takes no more."""

    @abstractmethod
    def hot_days(self, loop: str | None = None) -> list[int]:
        """Days that are not sealed yet, oldest first; of a loop, at least those that it has rows in."""

    @abstractmethod
    def _hot_loops(self, day: int) -> list[str]:
        """Loops that have rows in a day."""

    @abstractmethod
    def _read_hot(self, loop: str, day: int, begin: int, end: int, only: str | None) -> Samples | None:
        """The rows of a loop in a part of a day, None where there are none or the day has gone."""

    @abstractmethod
    def _hot_extent(self, loop: str) -> list[tuple[int, int]]:
        """First second and last second + step of the hot rows of a loop, in one or several pieces."""

    @abstractmethod
    def _remove_hot(self, day: int) -> None:
        """Remove a day whose every loop is sealed."""

    def _may_seal(self, waiting: Iterable[LoopDay]) -> set[LoopDay]:
        """Those loop-days that this store seals; they take no more rows from here on."""
        return set(waiting)

    def _writing(self, loop: str) -> AbstractContextManager[sa.Connection | None]:
        """A transaction that writes for a loop; None where another collector writes for it now."""
        return self.state.transaction()

    # --- reading ------------------------------------------------------------------------------------------------------

    def _unsealed(self, samples: Samples) -> Iterator[Samples]:
        for day, part in by_day(samples):
            if (samples.loop, day) not in self._sealed and (samples.loop, day) not in self._closing:
                yield part

    def scan(self, loop: str, begin: int, end: int) -> Iterator[Samples]:
        """The stored samples of a loop, a day at most at a time."""
        return self._scan(loop, begin, end)

    def _scan(self, loop: str, begin: int, end: int, only: str | None = None) -> Iterator[Samples]:
        begin, end = int(begin), int(end)  # SQLite would bind numpy integers as bytes
        hot = self.hot_days(loop)
        self._ask_manifest()  # after the look at the files: a day that is sealed in between is in one of the two
        days = {day for sealed, day in self._sealed if sealed == loop} | set(hot)
        for day in sorted(day for day in days if day_of(begin) <= day <= day_of(end - 1)):
            found = self._day(loop, day, max(begin, day * DAY_S), min(end, (day + 1) * DAY_S), only)
            if found is not None and len(found):
                yield found

    def _day(self, loop: str, day: int, begin: int, end: int, only: str | None) -> Samples | None:
        """From the tier that the manifest names; asked again where the day moved meanwhile."""
        gone: OSError | None = None
        for _ in range(3):
            if (loop, day) in self._sealed:
                try:
                    return archive.read(self.layout.archive(loop, day), begin, end, only)
                except FileNotFoundError as error:
                    gone = error
            else:
                found = self._read_hot(loop, day, begin, end, only)
                if found is not None:
                    return found
            self._ask_manifest()
            if gone is None and (loop, day) not in self._sealed:
                return None
        if (loop, day) not in self._sealed:
            return None
        path = self.layout.archive(loop, day)
        raise StoreError("a sealed day is missing from the archive", where=str(path), fix="restore it from a backup") from gone

    def trend(self, loop: str, role: str, begin: int, end: int, max_points: int = 2000) -> Trend:
        """A role over a time."""
        return self.trends(loop, (role,), begin, end, max_points)[role]

    def trends(self, loop: str, roles: Sequence[str], begin: int, end: int, max_points: int = 2000) -> dict[str, Trend]:
        """Several roles over a time, by role."""
        begin, end = int(begin), int(end)
        row_s = trends.source_of(end - begin)
        rows = self._hours(loop, roles, begin, end) if row_s > 60 else self._fine(loop, roles, begin, end, row_s)
        return {role: trends.bucketed(loop, role, begin, end, max_points, row_s, rows[role]) for role in roles}

    def _hours(self, loop: str, roles: Sequence[str], begin: int, end: int) -> dict[str, Rows]:
        with self.state.transaction() as connection:
            return {role: trend_rows.read(connection, loop, role, begin, end) for role in roles}

    def _fine(self, loop: str, roles: Sequence[str], begin: int, end: int, row_s: int) -> dict[str, Rows]:
        """Minutes, which are kept for some weeks, and samples where they are wanted or there are no minutes any more."""
        stored: list[rollups.Stored] = []
        if row_s > 1:
            with self.state.transaction() as connection:
                stored = rollups.read(connection, loop, row_s, begin, end)
        sampled_until = int(stored[0].start_s[0]) if stored else end
        out = {}
        for role in roles:
            out[role] = trends.of_rollups(stored, role)
            if sampled_until > begin:
                out[role] = trends.of_samples(self._scan(loop, begin, sampled_until, role), role) + out[role]
        return out

    def add_rollups(self, blocks: Blocks) -> None:
        """Store merged blocks."""
        if len(blocks):
            with self._writing(blocks.loop) as connection:
                if connection is not None:
                    rollups.add(connection, blocks)

    def add_rollups_of(self, parts: Sequence[Blocks]) -> None:
        """Store merged blocks of several loops."""
        for blocks in parts:
            self.add_rollups(blocks)

    def rollups(self, loop: str, length_s: int, begin: int, end: int) -> Blocks | None:
        """Stored merged blocks; only those of the newest layout where the roles changed on the way."""
        with self.state.transaction() as connection:
            stored = rollups.read(connection, loop, length_s, begin, end)
        if not stored:
            return None
        alike = [part for part in stored if part.layout == stored[-1].layout]
        return concat([rollups.blocks_of(part, loop, length_s) for part in alike])

    def fleet(self, by: By, begin: int, end: int, top: int) -> list[FleetLine]:
        """The loops of the site over a time, the worst first."""
        with self.state.transaction() as connection:
            return hour_rows.worst(connection, by, begin, end, self._site.loops, top)

    def add_event(self, event: Event) -> None:
        """Write one event."""
        self.ledger.add(event)

    def events(self, begin: float, end: float, loop: str | None = None) -> list[Event]:
        """Events of a time, oldest first."""
        return self.ledger.between(begin, end, loop)

    def add_empties(self, loop: str, stretches: Sequence[EmptyStretch]) -> None:
        """Store stretches of empty running belt."""
        if stretches:
            with self._writing(loop) as connection:
                if connection is not None:
                    empty_rows.add(connection, loop, stretches)

    def empties(self, loop: str) -> list[EmptyStretch]:
        """The stored stretches of empty running belt of a loop."""
        with self.state.transaction() as connection:
            return empty_rows.read(connection, loop)

    def void_empties(self, loop: str, voids: Sequence[tuple[int, int]]) -> None:
        """Store times in which the numbers of a loop meant nothing."""
        if voids:
            with self._writing(loop) as connection:
                if connection is not None:
                    empty_rows.void(connection, loop, voids)

    def voids(self, loop: str) -> list[tuple[int, int]]:
        """The times in which the numbers of a loop meant nothing."""
        with self.state.transaction() as connection:
            return empty_rows.voids(connection, loop)

    def annotate(self, annotation: Annotation) -> None:
        """Keep a correction of uptime."""
        with self.state.transaction() as connection:
            annotation_rows.add(connection, annotation)

    def annotations(self, loop: str, begin: int, end: int) -> list[Annotation]:
        """The corrections of uptime that touch a time."""
        with self.state.transaction() as connection:
            return annotation_rows.read(connection, loop, begin, end)

    def extent(self, loop: str) -> tuple[int, int] | None:
        """First second and last second + 1 of a loop."""
        with self.state.transaction() as connection:
            row = connection.execute(
                sa.select(sa.func.min(MANIFEST.c.first_s), sa.func.max(MANIFEST.c.last_s)).where(MANIFEST.c.loop == loop)
            ).one()
        found = [] if row[0] is None else [(int(row[0]), int(row[1]))]
        found += self._hot_extent(loop)
        return (min(first for first, _ in found), max(last for _, last in found)) if found else None

    def seal(self, now: float) -> int:
        """Seal the days that are over: archive file, manifest row, and only then the hot file goes."""
        sealed = 0
        for day in self.hot_days():
            if (day + 1) * DAY_S + SEAL_AFTER_S > now:
                continue
            sealed += self._seal_day(day)
        return sealed

    def _seal_day(self, day: int) -> int:
        """Seal the loops of a day until none is left that came meanwhile; a loop takes no rows from before it is read."""
        sealed = 0
        bare: set[LoopDay] = set()
        while True:
            with self._gate:
                waiting = {(loop, day) for loop in self._hot_loops(day)} - self._sealed - bare
                if not waiting:
                    self._remove_hot(day)
                    return sealed
                ours = self._may_seal(waiting)
                self._closing |= ours
            try:
                for loop, _ in sorted(ours):
                    samples = self._read_hot(loop, day, day * DAY_S, (day + 1) * DAY_S, None)
                    if samples is None:
                        bare.add((loop, day))
                        continue
                    self.put_sealed(samples, day)
                    sealed += 1
            finally:
                with self._gate:
                    self._closing -= ours
            if ours != waiting:
                return sealed

    def put_sealed(self, samples: Samples, day: int) -> None:
        """Write a whole loop-day into the archive and enter it into the manifest."""
        path = self.layout.archive(samples.loop, day)
        try:
            done = archive.write(path, samples)
        except OSError as error:
            raise StoreError(f"a day cannot be sealed ({error})", where=str(path)) from error
        row = {"rows": done.rows, "first_s": done.first_s, "last_s": done.last_s, "sha256": done.sha256}
        with self._gate:
            with self._writing(samples.loop) as connection:
                if connection is None:
                    return
                insert_or_replace(connection, MANIFEST, [{"loop": samples.loop, "day": day, **row}])
            self._sealed.add((samples.loop, day))

    def has_day(self, loop: str, day: int) -> bool:
        """Whether any sample of a loop-day is stored."""
        return (loop, day) in self._sealed or next(self.scan(loop, day * DAY_S, (day + 1) * DAY_S), None) is not None

    def sealed_rows(self, loop: str, day: int) -> int | None:
        """How many rows a sealed loop-day holds, None where it is not sealed."""
        with self.state.transaction() as connection:
            wanted = sa.select(MANIFEST.c.rows).where(MANIFEST.c.loop == loop, MANIFEST.c.day == day)
            rows = connection.execute(wanted).scalar_one_or_none()
        return None if rows is None else int(rows)

    def sealed_days(self) -> list[tuple[str, int]]:
        """Loop and number of every sealed day, oldest first."""
        return sorted(self._manifest(), key=lambda one: (one[1], one[0]))

    def retain(self, now: float) -> int:
        """Drop what is older than the retention of the site, and the oldest days where the disk runs full."""
        expired = retention.beyond(self._sealed, self._site.history, now)
        for one in expired:
            self.drop_day(one)
        before = len(self._sealed)
        lost = retention.for_room(self._sealed, now, self._room_is_short, self.drop_day)
        if lost:
            text = f"the disk is nearly full: the samples of {len(lost)} days up to {day_name(lost[-1])} were dropped"
            self.ledger.add(Event(time=now, loop="", kind="history-dropped", text=text))
        retention.drop_rollups(self.state, retention.loops_with_rollups(self.state), self._site.history, now)
        OutboxRows(self.state).forget(now - DELIVERED_KEPT_S)
        return len(expired) + before - len(self._sealed)

    def _room_is_short(self) -> bool:
        return retention.free_bytes(self.layout.root) < retention.LEAST_FREE_B

    def drop_day(self, one: tuple[str, int]) -> None:
        """Remove a sealed loop-day: the manifest first, so that no reader looks for a file that has gone."""
        loop, day = one
        with self._gate:
            with self.state.transaction() as connection:
                connection.execute(MANIFEST.delete().where(MANIFEST.c.loop == loop, MANIFEST.c.day == day))
            self._sealed.discard(one)
        path = self.layout.archive(loop, day)
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise StoreError(f"a day cannot be dropped ({error})", where=str(path)) from error

    def close(self) -> None:
        """Flush and close; the store cannot be used afterwards."""
        self.state.close()

    def _manifest(self) -> set[tuple[str, int]]:
        with self.state.transaction() as connection:
            return {(row.loop, row.day) for row in connection.execute(sa.select(MANIFEST.c.loop, MANIFEST.c.day))}

    def _ask_manifest(self) -> None:
        with self._gate:
            self._sealed = self._manifest()
