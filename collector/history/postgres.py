"""The shared history: hot days and everything else in PostgreSQL, sealed days in a folder that all collectors see."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa

from checks.samples import Samples
from collector.clock import Clock
from collector.delivery.secrets import read_secret
from collector.history import partitions
from collector.history.layout import Layout, day_of
from collector.history.leases import SITE, Fence, SoleUse
from collector.history.postgres_hot import PostgresHot
from collector.history.postgres_state import PostgresState
from collector.history.statements import SHORT_S
from collector.history.tiers import LoopDay, TieredStore
from config.errors import StoreError
from config.model import Site


def open_state(site: Site, *, read_only: bool = False) -> PostgresState:
    """The database that the site file names by variable or file.

    Raises
    ------
    TallywireError
        The secret is missing, the driver is not installed, or the database cannot be used.
    """
    kept = site.history
    address = read_secret("address of the database", env=kept.database_env, file=kept.database_file)
    try:
        import psycopg  # noqa: F401
    except ImportError:
        raise StoreError(
            "the driver of PostgreSQL is not installed", where="history", fix="pip install 'tallywire[postgres]'"
        ) from None
    return PostgresState(address, read_only=read_only)


def open_shared(data: Path, site: Site, *, clock: Clock, read_only: bool = False) -> PostgresStore:
    """The shared history, for reading, or for a command that writes while no service does."""
    layout = Layout(data, site.history.archive)
    state = open_state(site, read_only=read_only)
    try:
        if not read_only:
            make_folders(layout)
        return PostgresStore(layout, site, state, clock, None if read_only else SoleUse(state))
    except BaseException:
        state.close()
        raise


def make_folders(layout: Layout) -> None:
    """Make the data folder and the folder of sealed days; StoreError where that cannot be."""
    try:
        layout.make()
    except OSError as error:
        raise StoreError(
            f"the folder of sealed days cannot be made ({error.strerror})", where=str(layout.sealed), fix="name another"
        ) from error


class PostgresStore(TieredStore):
    """Every write for a loop goes through the fence; without one the history is open for reading only.

    `foreign` counts the rows and other writes that were dropped because another collector has their loop.
    """

    def __init__(self, layout: Layout, site: Site, state: PostgresState, clock: Clock, fence: Fence | None) -> None:
        super().__init__(layout, site, state, clock)
        self.database = state
        self.foreign = 0
        self._fence = fence
        self._hot = PostgresHot(state)

    def append(self, batch: Sequence[Samples]) -> int:
        """Store closed samples of the loops that are held; a sealed day takes no more."""
        fence = self._writer()
        with self._gate:
            parts = [part for whole in batch for part in self._unsealed(whole)]
        if not parts:
            return 0
        new, foreign = self._hot.append(parts, fence)
        self.foreign += foreign
        return new

    def _writer(self) -> Fence:
        if self._fence is None:
            raise StoreError("the history is open for reading only", where=self.state.where)
        return self._fence

    @contextmanager
    def _writing(self, loop: str) -> Iterator[sa.Connection | None]:
        fence = self._writer()
        with self.database.transaction(fence.limit_s) as connection:
            ours = loop in fence.share(connection, (loop,))
            self.foreign += not ours
            yield connection if ours else None

    def _may_seal(self, waiting: Iterable[LoopDay]) -> set[LoopDay]:
        """What is held, and what no collector of this site file will ever hold where this one acts for the site."""
        fence = self._writer()
        return {(loop, day) for loop, day in waiting if self._hot.close_day(loop, day, fence)}

    def seal(self, now: float) -> int:
        """Seal what this collector holds, and make the partition of tomorrow."""
        self._ask_manifest()
        partitions.make(self.database, day_of(now) + 1)
        return super().seal(now)

    def retain(self, now: float) -> int:
        """Apply the retention; for the collector that acts for the site."""
        with self.database.transaction(SHORT_S) as connection:
            if SITE not in self._writer().share(connection, (SITE,)):
                return 0
        self._ask_manifest()
        return super().retain(now)

    def hot_days(self, loop: str | None = None) -> list[int]:
        return self._hot.days(loop)

    def _hot_loops(self, day: int) -> list[str]:
        return self._hot.loops(day)

    def _read_hot(self, loop: str, day: int, begin: int, end: int, only: str | None) -> Samples | None:
        return self._hot.read(loop, begin, end, only)

    def _hot_extent(self, loop: str) -> list[tuple[int, int]]:
        return self._hot.extent(loop)

    def _remove_hot(self, day: int) -> None:
        partitions.drop(self.database, day)

    def close(self) -> None:
        """Give what is held back and close."""
        if self._fence is not None:
            self._fence.leave()
        super().close()
