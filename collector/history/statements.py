"""Statements that each database writes in its own way: insert or replace, insert or keep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

Rows = Sequence[Mapping[str, Any]]


def insert_or_replace(connection: sa.Connection, table: sa.Table, rows: Rows) -> None:
    """Insert rows; one with the key of a row that is there takes its place."""
    if rows:
        statement = _insert(connection, table)
        keys = [column.name for column in table.primary_key]
        new = {column.name: statement.excluded[column.name] for column in table.columns if column.name not in keys}
        connection.execute(statement.on_conflict_do_update(index_elements=keys, set_=new), list(rows))


def insert_or_keep(connection: sa.Connection, table: sa.Table, rows: Rows) -> None:
    """Insert rows; where one with the same key is there, that one stays as it is."""
    if rows:
        connection.execute(_insert(connection, table).on_conflict_do_nothing(), list(rows))


def _insert(connection: sa.Connection, table: sa.Table) -> Any:
    return postgresql.insert(table) if connection.dialect.name == "postgresql" else sqlite.insert(table)
