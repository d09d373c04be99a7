"""An older state database becomes this one at its first opening, with all it held."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
import sqlalchemy as sa

from collector.history.state import StateDb
from collector.history.tables import METADATA, MIGRATIONS, VERSION
from config.errors import StoreError

VERSION_1_ALERTS = """
CREATE TABLE alerts (
    id TEXT NOT NULL PRIMARY KEY, loop TEXT NOT NULL, link TEXT NOT NULL, state TEXT NOT NULL, active BOOLEAN NOT NULL,
    priority TEXT NOT NULL, finding TEXT NOT NULL, raised FLOAT NOT NULL, returned FLOAT, acknowledged FLOAT,
    acknowledged_by TEXT NOT NULL, shelved_until FLOAT, shelved_by TEXT NOT NULL, shelve_reason TEXT NOT NULL,
    refinements_told INTEGER NOT NULL
)"""


def version_1(path: Path) -> None:
    """A database as version 1 made it, with one event."""
    StateDb(path).close()
    connection = sqlite3.connect(path)
    connection.executescript(f"DROP TABLE config_versions; DROP TABLE alerts; {VERSION_1_ALERTS};")
    connection.execute("INSERT INTO events VALUES (1, 5.0, '', 'service-start', 'kept', '', '')")
    connection.execute("UPDATE schema_version SET version = 1")
    connection.commit()
    connection.close()


def columns(path: Path) -> dict[str, set[str]]:
    engine = sa.create_engine(f"sqlite:///{path}")
    looked = sa.inspect(engine)
    found = {table: {column["name"] for column in looked.get_columns(table)} for table in looked.get_table_names()}
    engine.dispose()
    return found


def test_every_version_has_its_step() -> None:
    assert set(MIGRATIONS) == set(range(2, VERSION + 1))


def test_version_1_gets_the_tables_and_columns_of_today_and_keeps_what_it_held(tmp_path: Path) -> None:
    path = tmp_path / "state.db"
    version_1(path)
    assert "reminded" not in columns(path)["alerts"]
    StateDb(path).close()
    wanted = {table.name: {column.name for column in table.columns} for table in METADATA.sorted_tables}
    found = columns(path)
    assert {name: found[name] for name in wanted} == wanted
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT text FROM events").fetchall() == [("kept",)]
    assert connection.execute("SELECT version FROM schema_version").fetchall() == [(VERSION,)]
    connection.close()


def test_step_that_fails_leaves_the_old_version_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "state.db"
    version_1(path)
    before = columns(path)

    def half(connection: sa.Connection) -> None:
        connection.execute(sa.text("CREATE TABLE half (x)"))
        raise sa.exc.OperationalError("the disk is full", None, Exception("disk full"))

    monkeypatch.setitem(MIGRATIONS, VERSION, half)
    with pytest.raises(StoreError, match="cannot be opened"):
        StateDb(path)
    assert columns(path) == before
