"""Statements that each database writes in its own way: insert or replace, insert or keep, a field of a JSON text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import GenericFunction

SHORT_S = 2.0
"""What the service does while others wait (leases, alerts, appending) is ended by the server after this time [s]."""
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


def one_at_a_time(connection: sa.Connection, name: str) -> None:
    """Wait until no other collector is between reading and writing what `name` stands for; until the transaction ends.

    The embedded database needs nothing: it has one connection.
    """
    if connection.dialect.name == "postgresql":
        short_session(connection)
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(sa.func.hashtextextended(f"tallywire {name}", 0))))


def short_session(connection: sa.Connection) -> None:
    """For this transaction: a client that hangs or a lock that is not given ends it soon, so that it keeps nobody waiting."""
    settings = ("idle_in_transaction_session_timeout", "lock_timeout", "statement_timeout")
    connection.execute(sa.select(*(sa.func.set_config(name, f"{SHORT_S * 1000:.0f}", True) for name in settings)))


def _insert(connection: sa.Connection, table: sa.Table) -> Any:
    return postgresql.insert(table) if connection.dialect.name == "postgresql" else sqlite.insert(table)


class tallywire_json_field(GenericFunction[str]):  # noqa: N801 - the name of the function in the database
    """A field of a JSON text as text: (text, name); NULL where the text was damaged and is no JSON any more."""

    type = sa.Text()
    inherit_cache = True


@compiles(tallywire_json_field, "sqlite")
def _in_sqlite(element: tallywire_json_field, compiler: Any, **options: Any) -> str:
    text, name = (compiler.process(clause, **options) for clause in element.clauses)
    return f"CASE WHEN json_valid({text}) THEN json_extract({text}, '$.' || {name}) END"
