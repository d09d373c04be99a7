"""What several collectors write into one database at the same time: the chain of records, and a text that was damaged."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
import sqlalchemy as sa

from collector.history import record_rows
from collector.history.postgres_state import PostgresState
from collector.history.tables import RECORDS, SCHEMA, VERSION
from collector.records.chain import verify
from config.errors import StoreError
from tests.postgres import Server


@pytest.fixture
def states(postgres_server: Server) -> Iterator[list[PostgresState]]:
    address = postgres_server.database()
    made = [PostgresState(address) for _ in range(3)]
    yield made
    for state in made:
        state.close()


def test_records_of_several_collectors_are_one_unbroken_chain(states: list[PostgresState]) -> None:
    def write(state: PostgresState, name: str) -> None:
        for number in range(8):
            with state.transaction() as connection:
                record_rows.add(connection, {"kind": "chain-report", "schedule": name, "number": number})

    threads = [threading.Thread(target=write, args=(state, f"by {place}")) for place, state in enumerate(states)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with states[0].transaction() as connection:
        found = record_rows.read(connection)
        assert [record.number for record in found] == list(range(1, 25))
        assert verify(found) is None
        assert len(record_rows.of_schedule(connection, "by 1")) == 8
        connection.execute(RECORDS.update().where(RECORDS.c.number == 3).values(text="no JSON any more"))
        assert len(record_rows.ahead(connection, None, 100, "chain-report")) == 23


def test_newer_database_is_refused_and_a_reader_writes_nothing(states: list[PostgresState], postgres_server: Server) -> None:
    address = postgres_server.address("tallywire0")
    reader = PostgresState(address, read_only=True)
    with pytest.raises(StoreError, match="read-only"), reader.transaction() as connection:
        connection.execute(SCHEMA.update().values(version=VERSION))
    reader.close()
    with states[0].transaction() as connection:
        connection.execute(SCHEMA.update().values(version=VERSION + 1))
        assert connection.execute(sa.select(SCHEMA.c.version)).scalar_one() == VERSION + 1
    for read_only in (False, True):
        with pytest.raises(StoreError, match=f"version {VERSION + 1}"):
            PostgresState(address, read_only=read_only)
