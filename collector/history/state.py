"""`state.db`: the one read-write connection to everything that is not samples."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.pool import StaticPool

from collector.history.layout import address
from collector.history.tables import SCHEMA, VERSION, bring_up
from config.errors import StoreError


class StateDb:
    """Transactions on `state.db`, one at a time, from any thread. `PostgresState` is the same over a server.

    There is one connection: SQLite before 3.51.3 can damage a write-ahead log that several connections check-point.

    Raises
    ------
    StoreError
        The file is no database, is newer than this program, or cannot be opened.
    """

    def __init__(self, path: Path, *, read_only: bool = False) -> None:
        self.where = str(path)
        self._lock = threading.RLock()
        file = address(path, read_only=read_only)
        if not read_only:
            keep_private(path)

        def connect() -> sqlite3.Connection:
            return sqlite3.connect(file, uri=True, check_same_thread=False, timeout=10.0, isolation_level=None)

        self._engine = sa.create_engine("sqlite+pysqlite://", creator=connect, poolclass=StaticPool)
        sa.event.listen(self._engine, "begin", _begin)
        try:
            with self._engine.connect() as connection:
                raw = connection.connection.dbapi_connection
                assert raw is not None
                if not read_only:
                    for pragma in ("journal_mode=WAL", "synchronous=FULL", "journal_size_limit=33554432"):
                        raw.cursor().execute(f"PRAGMA {pragma}")
            with self._engine.begin() as connection:
                if read_only:
                    check_version(connection, self.where)
                else:
                    bring_up(connection, self.where)
        except (sa.exc.DBAPIError, sqlite3.Error) as error:
            self._engine.dispose()
            raise StoreError(
                f"the history cannot be opened ({getattr(error, 'orig', error)})",
                where=self.where,
                fix="restore it from a backup, or name another --data",
            ) from error
        except StoreError:
            self._engine.dispose()
            raise

    @contextmanager
    def transaction(self) -> Iterator[sa.Connection]:
        """A transaction: committed where the block ends well, rolled back where it raises.

        Raises
        ------
        StoreError
            The database cannot be used: the disk is full, read-only or damaged.
        """
        try:
            with self._lock, self._engine.begin() as connection:
                yield connection
        except sa.exc.DatabaseError as error:
            if isinstance(error, sa.exc.IntegrityError | sa.exc.ProgrammingError):
                raise
            raise StoreError(f"the history cannot be used ({error.orig})", where=self.where) from error

    def close(self) -> None:
        """Close the connection."""
        with self._lock:
            self._engine.dispose()


def check_version(connection: sa.Connection, where: str) -> None:
    """Raise StoreError where the database has another version than this program."""
    found = connection.execute(sa.select(SCHEMA.c.version)).scalar_one_or_none()
    if found != VERSION:
        raise StoreError(
            f"the history has version {found or 'none'}, this Tallywire reads version {VERSION}",
            where=where,
            fix="read it with the Tallywire that wrote it, or start the service here once to bring it up",
        )


def keep_private(path: Path) -> None:
    """Nobody but the owner reads the database: hashes of passwords lie in it. The files that SQLite lays beside it follow it."""
    with contextlib.suppress(OSError):
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
        path.chmod(0o600)


def _begin(connection: sa.Connection) -> None:
    connection.exec_driver_sql("BEGIN")
