"""A state database of every version that ever was, as the code of its time wrote it, becomes one of today and keeps every row.

The files in `versions` are dumps of real ones (there was never a version 7 of its own). A database of today compared with one that was
brought up says whether a migration forgot anything: a column, its type, a key.
"""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from collector.clock import ManualClock
from collector.history.sqlite import open_store
from collector.history.state import StateDb
from collector.history.tables import VERSION
from config.errors import StoreError
from tests.collector.history.recorded import terminal

DUMPS = sorted((Path(__file__).parent / "versions").glob("*.sql"), key=lambda path: int(path.stem))

Rows = dict[str, list[dict[str, Any]]]


def restored(dump: Path, folder: Path) -> Path:
    path = folder / "state.db"
    folder.mkdir(parents=True, exist_ok=True)
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(dump.read_text(encoding="utf-8"))
    return path


def tables(connection: sqlite3.Connection) -> list[str]:
    found = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
    return sorted(row[0] for row in found)


def rows(path: Path) -> Rows:
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        return {
            table: [dict(row) for row in connection.execute(f"SELECT * FROM {table}")]
            for table in tables(connection)
            if table != "schema_version"
        }


def shape(path: Path) -> dict[str, set[tuple[Any, ...]]]:
    """Columns of each table with type (all integers are one to SQLite), whether they may be empty, and their place in the key."""
    with closing(sqlite3.connect(path)) as connection:
        return {
            table: {
                (name, re.sub(r"\(.*|^(BIG|SMALL)(?=INT)", "", kind.upper()).replace("INTEGER", "INT"), bool(notnull), key)
                for _, name, kind, notnull, _, key in connection.execute(f"PRAGMA table_info({table})")
            }
            for table in tables(connection)
        }


def test_there_is_a_dump_of_every_version_that_was_written() -> None:
    assert [int(path.stem) for path in DUMPS] == [1, 2, 3, 4, 5, 6]
    assert VERSION >= 8


@pytest.mark.parametrize("dump", DUMPS, ids=lambda path: f"version {path.stem}")
def test_every_row_is_kept_and_the_shape_is_that_of_today(dump: Path, tmp_path: Path) -> None:
    path = restored(dump, tmp_path / "old")
    before = rows(path)
    assert all(len(found) == 2 for found in before.values())
    StateDb(path).close()
    after = rows(path)
    for table, old in before.items():
        for was, now in zip(old, after[table], strict=True):
            assert {key: now[key] for key in was} == was
    fresh = tmp_path / "fresh.db"
    StateDb(fresh).close()
    assert shape(path) == shape(fresh)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT version FROM schema_version").fetchall() == [(VERSION,)]
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.parametrize("dump", DUMPS, ids=lambda path: f"version {path.stem}")
def test_a_second_opening_changes_nothing_and_the_history_can_be_used(dump: Path, tmp_path: Path) -> None:
    path = restored(dump, tmp_path / "data")
    StateDb(path).close()
    first = rows(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DELETE FROM manifest")  # the made-up days have no files
        connection.commit()
    store = open_store(tmp_path / "data", terminal(), clock=ManualClock())
    assert [event.kind for event in store.events(0, 2e9)] == ["events kind 1", "events kind 2"]
    store.close()
    assert {**rows(path), "manifest": first["manifest"]} == first


def test_one_of_a_later_version_is_left_alone(tmp_path: Path) -> None:
    path = restored(DUMPS[-1], tmp_path / "data")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE schema_version SET version = 99")
        connection.commit()
    before = rows(path)
    with pytest.raises(StoreError, match="version 99") as told:
        StateDb(path)
    assert "newer" in told.value.fix
    assert rows(path) == before
