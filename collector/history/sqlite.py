"""The embedded history: hot days in SQLite, sealed days in Parquet, everything else in `state.db`. No server."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

from checks.blocks import Blocks
from checks.samples import Samples
from collector.clock import Clock
from collector.history import rollups
from collector.history.hot import HotDays, HotReader
from collector.history.layout import Layout
from collector.history.lock import FolderLock, refuse_network
from collector.history.state import StateDb
from collector.history.tiers import DELIVERED_KEPT_S, SEAL_AFTER_S, TieredStore
from config.errors import StoreError
from config.model import Site

__all__ = ["DELIVERED_KEPT_S", "SEAL_AFTER_S", "SqliteStore", "open_store"]

T = TypeVar("T")


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
    try:
        layout.make()
    except OSError as error:
        raise StoreError(
            f"the data folder cannot be made ({error.strerror})", where=str(data), fix="name another with --data"
        ) from error
    refuse_network(data)
    lock = FolderLock(layout.lock)
    try:
        state = StateDb(layout.state)
        return SqliteStore(layout, site, state, clock, lock)
    except BaseException:
        lock.close()
        raise


class SqliteStore(TieredStore):
    """One writer to a data folder."""

    def __init__(self, layout: Layout, site: Site, state: StateDb, clock: Clock, lock: FolderLock | None) -> None:
        super().__init__(layout, site, state, clock)
        self._lock = lock
        self._hot = HotDays(layout)
        if lock is not None:
            try:
                self._finish_seals()
            except BaseException:
                state.close()
                raise

    def add_rollups_of(self, parts: Sequence[Blocks]) -> None:
        """Store merged blocks of several loops in one transaction: a commit waits for the disk, and all others for it."""
        with self.state.transaction() as connection:
            for blocks in parts:
                if len(blocks):
                    rollups.add(connection, blocks)

    def append(self, batch: Sequence[Samples]) -> int:
        """Store closed samples; a sealed day takes no more."""
        if self._lock is None:
            raise StoreError("the history is open for reading only", where=str(self.layout.root))
        try:
            with self._gate:
                return self._hot.append([part for whole in batch for part in self._unsealed(whole)])
        except (sqlite3.Error, OSError) as error:
            raise StoreError(f"samples cannot be written ({error})", where=str(self.layout.root)) from error

    def hot_days(self, loop: str | None = None) -> list[int]:
        return self.layout.hot_days()

    def _hot_loops(self, day: int) -> list[str]:
        return self._from_hot(day, HotReader.loops) or []

    def _read_hot(self, loop: str, day: int, begin: int, end: int, only: str | None) -> Samples | None:
        return self._from_hot(day, lambda hot: hot.read(loop, begin, end, only))

    def _hot_extent(self, loop: str) -> list[tuple[int, int]]:
        found = (self._from_hot(day, lambda hot: hot.extent(loop)) for day in self.layout.hot_days())
        return [one for one in found if one is not None]

    def _remove_hot(self, day: int) -> None:
        self._hot.remove(day)

    def _from_hot(self, day: int, ask: Callable[[HotReader], T | None]) -> T | None:
        """What a day file answers; None where there is none, or where it was removed while it was asked."""
        path = self.layout.hot(day)
        if not path.exists():
            return None
        try:
            with HotReader(path) as hot:
                answer = ask(hot)
            return answer if path.exists() else None  # else its log may have gone before it was opened
        except sqlite3.Error as error:
            if not path.exists() or error.sqlite_errorname == "SQLITE_READONLY_ROLLBACK":
                return None  # a kill came while the file was made: it never held a row, and its writer makes it anew
            raise StoreError(f"samples cannot be read ({error})", where=str(path)) from error

    def close(self) -> None:
        """Close everything and give the folder back."""
        self._hot.close()
        super().close()
        if self._lock is not None:
            self._lock.close()

    def _finish_seals(self) -> None:
        """Remove hot files whose every loop is in the manifest, and other remains: a kill may have come before they went."""
        self.layout.sweep()
        for day in self.layout.hot_days():
            loops = self._hot_loops(day)
            if loops and all((loop, day) in self._sealed for loop in loops):
                self._hot.remove(day)
