"""Records in the database keep their chain."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import sqlalchemy as sa

from collector.history.record_rows import add, read
from collector.history.tables import METADATA, RECORDS
from collector.records.chain import Break, verify


@pytest.fixture
def connection() -> Iterator[sa.Connection]:
    engine = sa.create_engine("sqlite://")
    METADATA.create_all(engine)
    with engine.begin() as open_:
        yield open_
    engine.dispose()


def test_records_are_numbered_and_chained(connection: sa.Connection) -> None:
    made = [add(connection, {"tonnes": float(n)}) for n in range(3)]
    assert [one.number for one in made] == [1, 2, 3]
    assert read(connection) == made
    assert verify(read(connection)) is None


def test_record_changed_behind_our_back_is_found(connection: sa.Connection) -> None:
    for n in range(3):
        add(connection, {"tonnes": float(n)})
    connection.execute(RECORDS.update().where(RECORDS.c.number == 2).values(text='{"tonnes":9.0}'))
    assert verify(read(connection)) == Break(number=2, reason="its content was changed")


def test_record_deleted_behind_our_back_is_found(connection: sa.Connection) -> None:
    for n in range(3):
        add(connection, {"tonnes": float(n)})
    connection.execute(RECORDS.delete().where(RECORDS.c.number == 2))
    assert verify(read(connection)) == Break(number=2, reason="number 2 is missing, 3 follows")
