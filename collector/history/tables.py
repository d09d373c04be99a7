"""The tables of `state.db`, and how an older one becomes this one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import sqlalchemy as sa

from collector.history import access_tables, hour_rows, trend_rows
from collector.history.metadata import METADATA as METADATA
from config.errors import StoreError

VERSION = 10
"""Version of the database."""

SCHEMA = sa.Table("schema_version", METADATA, sa.Column("version", sa.Integer, nullable=False))

EVENTS = sa.Table(
    "events", METADATA,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("time", sa.Float, nullable=False, index=True),
    sa.Column("loop", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("text", sa.Text, nullable=False),
    sa.Column("old", sa.Text, nullable=False),
    sa.Column("new", sa.Text, nullable=False),
)  # fmt: skip

MANIFEST = sa.Table(
    "manifest", METADATA,
    sa.Column("loop", sa.Text, primary_key=True),
    sa.Column("day", sa.Integer, primary_key=True),
    sa.Column("rows", sa.Integer, nullable=False),
    sa.Column("first_s", sa.BigInteger, nullable=False),
    sa.Column("last_s", sa.BigInteger, nullable=False),
    sa.Column("sha256", sa.Text, nullable=False),
)  # fmt: skip
"""Which loop-days lie in the archive; readers ask here and nowhere else."""

LAYOUTS = sa.Table(
    "rollup_layouts", METADATA,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("description", sa.Text, nullable=False, unique=True),
)  # fmt: skip

ROLLUPS = sa.Table(
    "rollups", METADATA,
    sa.Column("loop", sa.Text, primary_key=True),
    sa.Column("length_s", sa.Integer, primary_key=True),
    sa.Column("start_s", sa.BigInteger, primary_key=True),
    sa.Column("layout", sa.Integer, nullable=False),
    sa.Column("statistics", sa.LargeBinary, nullable=False),
    sqlite_with_rowid=False,
)  # fmt: skip

ALERTS = sa.Table(
    "alerts", METADATA,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("loop", sa.Text, nullable=False),
    sa.Column("link", sa.Text, nullable=False),
    sa.Column("state", sa.Text, nullable=False, index=True),
    sa.Column("active", sa.Boolean, nullable=False),
    sa.Column("priority", sa.Text, nullable=False),
    sa.Column("finding", sa.Text, nullable=False),
    sa.Column("raised", sa.Float, nullable=False, index=True),
    sa.Column("returned", sa.Float),
    sa.Column("acknowledged", sa.Float),
    sa.Column("acknowledged_by", sa.Text, nullable=False),
    sa.Column("shelved_until", sa.Float),
    sa.Column("shelved_by", sa.Text, nullable=False),
    sa.Column("shelve_reason", sa.Text, nullable=False),
    sa.Column("refinements_told", sa.Integer, nullable=False),
    sa.Column("reminded", sa.Float),
    sa.Column("episode", sa.Text, nullable=False, server_default=""),
    sa.Column("parent", sa.Text, nullable=False, server_default=""),
    sa.Column("reopened", sa.Integer, nullable=False, server_default="0"),
    sa.Column("waiting_since", sa.Float),
    sa.Column("escalated", sa.Text, nullable=False, server_default=""),
    sa.Column("return_due", sa.Float),
    sa.Column("first_raised", sa.Float),
)  # fmt: skip
"""Alerts; `episode` is the one that stands now, `parent` the alert that this one is a consequence of, `waiting_since` when it began
to wait for an acknowledgement, `escalated` the targets it was handed up to, `return_due` when its return is told, `first_raised` when it was raised before it was opened again."""
sa.Index("ix_alerts_episode", ALERTS.c.episode)
sa.Index("ix_alerts_place", ALERTS.c.loop, ALERTS.c.link)

SPELLS = sa.Table(
    "alert_spells", METADATA,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("alert", sa.Text, nullable=False, index=True),
    sa.Column("loop", sa.Text, nullable=False),
    sa.Column("raised", sa.Float, nullable=False, index=True),
    sa.Column("returned", sa.Float),
    sa.Column("finding", sa.Text, nullable=False),
)  # fmt: skip
"""The earlier times that an alert stood, one row each time it was opened again."""

TRANSITIONS = sa.Table(
    "transitions", METADATA,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("time", sa.Float, nullable=False),
    sa.Column("alert", sa.Text, nullable=False, index=True),
    sa.Column("old", sa.Text, nullable=False),
    sa.Column("new", sa.Text, nullable=False),
    sa.Column("by", sa.Text, nullable=False),
    sa.Column("note", sa.Text, nullable=False),
    sa.Column("message", sa.Boolean, nullable=False),
)  # fmt: skip
sa.Index("ix_transitions_time", TRANSITIONS.c.time)

HOLDS = sa.Table(
    "alert_holds", METADATA,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("loop", sa.Text, nullable=False),
    sa.Column("link", sa.Text, nullable=False),
    sa.Column("cause", sa.Text, nullable=False),
    sa.Column("verdict", sa.Text, nullable=False),
    sa.Column("by", sa.Text, nullable=False),
    sa.Column("owner", sa.Text, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("made", sa.Float, nullable=False),
    sa.Column("until", sa.Float, nullable=False),
    sa.Column("measure", sa.Text, nullable=False),
    sa.Column("unit", sa.Text, nullable=False),
    sa.Column("amount", sa.Float),
    sa.Column("grow", sa.Float),
    sa.Column("ended", sa.Float, index=True),
    sa.Column("ended_by", sa.Text, nullable=False),
    sa.Column("end_note", sa.Text, nullable=False),
)  # fmt: skip
"""Orders by people that outlast one alert: a link out of service, a finding accepted until a date or until it has grown."""

MARKS = sa.Table(
    "alert_marks", METADATA,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("value", sa.Text, nullable=False),
)  # fmt: skip
"""What the telling of alerts must remember across a restart, by name, as JSON: floods, digests, who is on duty."""

OUTBOX = sa.Table(
    "outbox", METADATA,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("key", sa.Text, nullable=False, unique=True),
    sa.Column("target", sa.Text, nullable=False),
    sa.Column("alert", sa.Text, nullable=False),
    sa.Column("message", sa.Text, nullable=False),
    sa.Column("created", sa.Float, nullable=False),
    sa.Column("attempts", sa.Integer, nullable=False),
    sa.Column("next_try", sa.Float, nullable=False),
    sa.Column("delivered", sa.Float),
    sa.Column("dead", sa.Boolean, nullable=False),
    sa.Column("error", sa.Text, nullable=False),
)  # fmt: skip
sa.Index("ix_outbox_waiting", OUTBOX.c.target, OUTBOX.c.delivered, OUTBOX.c.id)

TRACKERS = sa.Table(
    "trackers", METADATA,
    sa.Column("loop", sa.Text, primary_key=True),
    sa.Column("state", sa.Text, nullable=False),
)  # fmt: skip

CONFIG_VERSIONS = sa.Table(
    "config_versions", METADATA,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("since", sa.Float, nullable=False, index=True),
    sa.Column("sha256", sa.Text, nullable=False),
    sa.Column("text", sa.Text, nullable=False),
)  # fmt: skip
"""Every site file that was in force, with the time from which it was."""

EMPTIES = sa.Table(
    "empties", METADATA,
    sa.Column("loop", sa.Text, primary_key=True),
    sa.Column("start_s", sa.BigInteger, primary_key=True),
    sa.Column("end_s", sa.BigInteger, nullable=False),
    sa.Column("stretch", sa.Text, nullable=False),
    sqlite_with_rowid=False,
)  # fmt: skip
"""Every stretch of empty running belt, as JSON."""

VOIDS = sa.Table(
    "voids", METADATA,
    sa.Column("loop", sa.Text, primary_key=True),
    sa.Column("first_s", sa.BigInteger, primary_key=True),
    sa.Column("last_s", sa.BigInteger, nullable=False),
    sqlite_with_rowid=False,
)  # fmt: skip
"""Times in which a categorical cause stood, so that the numbers of a loop meant nothing."""

ANNOTATIONS = sa.Table(
    "annotations", METADATA,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("loop", sa.Text, nullable=False, index=True),
    sa.Column("begin_s", sa.BigInteger, nullable=False),
    sa.Column("end_s", sa.BigInteger, nullable=False),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("by", sa.Text, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("made", sa.Float, nullable=False),
)  # fmt: skip
"""Corrections of uptime by people: never changed, a later one holds over an earlier."""

RECORDS = sa.Table(
    "records", METADATA,
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("text", sa.Text, nullable=False),
    sa.Column("before", sa.Text, nullable=False),
    sa.Column("sha256", sa.Text, nullable=False, unique=True),
)  # fmt: skip
"""Numbered documents, each with the hash of the one before: never changed, never deleted."""


def _to_2(connection: sa.Connection) -> None:
    """Versions of the site file; when an alert was reminded of."""
    CONFIG_VERSIONS.create(connection)
    _add_column(connection, ALERTS.c.reminded)


def _to_3(connection: sa.Connection) -> None:
    """The empties ledger."""
    EMPTIES.create(connection, checkfirst=True)


def _to_4(connection: sa.Connection) -> None:
    """Corrections of uptime."""
    ANNOTATIONS.create(connection, checkfirst=True)


def _to_5(connection: sa.Connection) -> None:
    """Records."""
    RECORDS.create(connection, checkfirst=True)


def _to_6(connection: sa.Connection) -> None:
    """Times in which the numbers meant nothing."""
    VOIDS.create(connection, checkfirst=True)


def _to_7(connection: sa.Connection) -> None:
    """The whole life of an alert: what it reopened, who it was handed up to, what people ordered about it."""
    for table in (HOLDS, MARKS, SPELLS):
        table.create(connection, checkfirst=True)
    for name in ("episode", "parent", "reopened", "waiting_since", "escalated", "return_due", "first_raised"):
        _add_column(connection, ALERTS.c[name])
    for table in (ALERTS, TRANSITIONS, OUTBOX):
        for index in table.indexes:
            index.create(connection, checkfirst=True)
    connection.execute(ALERTS.update().where(ALERTS.c.episode == "").values(episode=ALERTS.c.id))
    waiting = ALERTS.c.state.in_(("unacknowledged", "returned-unacknowledged"))
    connection.execute(ALERTS.update().where(waiting, ALERTS.c.waiting_since.is_(None)).values(waiting_since=ALERTS.c.raised))


def _add_column(connection: sa.Connection, column: sa.Column[Any]) -> None:
    """Add a column to a table that lies in the database without it."""
    table = column.table.name
    if column.name in {known["name"] for known in sa.inspect(connection).get_columns(table)}:
        return
    made = sa.schema.CreateColumn(column).compile(dialect=connection.dialect)
    connection.execute(sa.text(f"ALTER TABLE {table} ADD COLUMN {made}"))


def _to_8(connection: sa.Connection) -> None:
    """Accounts, sessions, tokens and the audit log."""
    for table in access_tables.TABLES:
        table.create(connection, checkfirst=True)


def _to_9(connection: sa.Connection) -> None:
    """The numbers of each hour beside its rollup, by which many loops are compared."""
    from collector.history import rollups

    hour_rows.HOURS.create(connection, checkfirst=True)
    length_s = hour_rows.HOUR_S
    for loop in connection.execute(sa.select(ROLLUPS.c.loop).distinct().where(ROLLUPS.c.length_s == length_s)).scalars().all():
        for part in rollups.read(connection, loop, length_s, 0, 2**60):
            hour_rows.add(connection, loop, part)


def _to_10(connection: sa.Connection) -> None:
    """The hours of each day and role in one row, from which a year is drawn."""
    from collector.history import rollups

    trend_rows.TREND_DAYS.create(connection, checkfirst=True)
    length_s = hour_rows.HOUR_S
    for loop in connection.execute(sa.select(ROLLUPS.c.loop).distinct().where(ROLLUPS.c.length_s == length_s)).scalars().all():
        for part in rollups.read(connection, loop, length_s, 0, 2**60):
            trend_rows.add(connection, loop, part)


MIGRATIONS: dict[int, Callable[[sa.Connection], None]] = {
    2: _to_2, 3: _to_3, 4: _to_4, 5: _to_5, 6: _to_6, 7: _to_7, 8: _to_8, 9: _to_9, 10: _to_10,
}  # fmt: skip
"""What makes version n of a database of version n - 1, by n."""


def bring_up(connection: sa.Connection, where: str) -> None:
    """Make an empty database, or bring an older one to this version, in the transaction of `connection`.

    Raises
    ------
    StoreError
        The database is newer than this program.
    """
    SCHEMA.create(connection, checkfirst=True)
    found = connection.execute(sa.select(SCHEMA.c.version)).scalar_one_or_none()
    if found is None:
        METADATA.create_all(connection)
        connection.execute(SCHEMA.insert().values(version=VERSION))
        return
    if found > VERSION:
        raise StoreError(
            f"the history has version {found}, this Tallywire knows version {VERSION}",
            where=where,
            fix="install the Tallywire that wrote it, or a newer one; or name another folder with --data",
        )
    for version in range(found + 1, VERSION + 1):
        MIGRATIONS[version](connection)
        connection.execute(SCHEMA.update().values(version=version))
