"""Numbered records in the state database: added at the end and read, nothing else."""

from __future__ import annotations

from collections.abc import Mapping
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


def _linked(row: sa.Row[Any]) -> Linked:
    return Linked(number=row.number, text=row.text, before=row.before, sha256=row.sha256)
