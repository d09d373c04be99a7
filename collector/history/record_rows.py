"""Numbered records in the state database: added at the end and read, nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from collector.history.statements import one_at_a_time, tallywire_json_field
from collector.history.tables import RECORDS
from collector.records.chain import Linked, link


def add(connection: sa.Connection, content: Mapping[str, Any]) -> Linked:
    """Number a record, chain it to the last and keep it; StoreError where the content is no plain JSON."""
    one_at_a_time(connection, "records")
    newest = connection.execute(sa.select(RECORDS).order_by(RECORDS.c.number.desc()).limit(1)).one_or_none()
    made = link(None if newest is None else _linked(newest), content)
    connection.execute(RECORDS.insert().values(number=made.number, text=made.text, before=made.before, sha256=made.sha256))
    return made


def read(connection: sa.Connection) -> list[Linked]:
    """All records in order of number, as `chain.verify` walks them."""
    return [_linked(row) for row in connection.execute(sa.select(RECORDS).order_by(RECORDS.c.number))]


def one(connection: sa.Connection, number: int) -> Linked | None:
    """One record by number."""
    row = connection.execute(sa.select(RECORDS).where(RECORDS.c.number == number)).one_or_none()
    return None if row is None else _linked(row)


def behind(connection: sa.Connection, number: int, most: int) -> list[Linked]:
    """At most so many records behind a number, in order."""
    wanted = sa.select(RECORDS).where(RECORDS.c.number > number).order_by(RECORDS.c.number).limit(most)
    return [_linked(row) for row in connection.execute(wanted)]


def ahead(connection: sa.Connection, number: int | None, most: int, kind: str = "") -> list[Linked]:
    """At most so many records ahead of a number (None: from the newest), newest first, of a kind where one is named."""
    wanted = sa.select(RECORDS).order_by(RECORDS.c.number.desc()).limit(most)
    if number is not None:
        wanted = wanted.where(RECORDS.c.number < number)
    if kind:
        wanted = wanted.where(_field("kind") == kind)
    return [_linked(row) for row in connection.execute(wanted)]


def of_schedule(connection: sa.Connection, schedule: str) -> list[Linked]:
    """The records that an entry of the site file asked for, newest first."""
    wanted = sa.select(RECORDS).where(_field("schedule") == schedule).order_by(RECORDS.c.number.desc())
    return [_linked(row) for row in connection.execute(wanted)]


def _field(name: str) -> sa.ColumnElement[Any]:
    """A field of the content; NULL where a text was damaged and is no JSON any more."""
    return tallywire_json_field(RECORDS.c.text, name)


def _linked(row: sa.Row[Any]) -> Linked:
    return Linked(number=row.number, text=row.text, before=row.before, sha256=row.sha256)
