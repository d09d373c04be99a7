"""Numbered records in the state database: added at the end and read, nothing else."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import sqlalchemy as sa

from collector.history.tables import RECORDS
from collector.records.chain import Linked, link


def add(connection: sa.Connection, content: Mapping[str, Any]) -> Linked:
    """Number a record, chain it to the last and keep it; StoreError where the content is no plain JSON."""
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


def matching(connection: sa.Connection, kind: str = "") -> Iterator[Linked]:
    """Records of a kind (all where it is empty), newest first; read as they are asked for, within the transaction."""
    wanted = sa.select(RECORDS).order_by(RECORDS.c.number.desc())
    if kind:
        wanted = wanted.where(_field("kind") == kind)
    for row in connection.execute(wanted):
        yield _linked(row)


def of_schedule(connection: sa.Connection, schedule: str) -> list[Linked]:
    """The records that an entry of the site file asked for, newest first."""
    wanted = sa.select(RECORDS).where(_field("schedule") == schedule).order_by(RECORDS.c.number.desc())
    return [_linked(row) for row in connection.execute(wanted)]


def _field(name: str) -> sa.ColumnElement[Any]:
    """A field of the content; NULL where a text was damaged and is no JSON any more."""
    return sa.case((sa.func.json_valid(RECORDS.c.text) == 1, sa.func.json_extract(RECORDS.c.text, f"$.{name}")), else_=None)


def _linked(row: sa.Row[Any]) -> Linked:
    return Linked(number=row.number, text=row.text, before=row.before, sha256=row.sha256)
