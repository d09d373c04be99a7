"""The day partitions of the shared samples: the only statements of the shared mode that are written for PostgreSQL by hand."""

from __future__ import annotations

import sqlalchemy as sa

from collector.history.layout import DAY_S, day_name
from collector.history.postgres_state import DDL_KEY, PostgresState
from collector.history.shared_tables import HOT_LOOPS, SAMPLES
from collector.history.statements import SHORT_S, short_session
from collector.history.tables import MANIFEST


def make(state: PostgresState, day: int) -> None:
    """Make the partition of a UTC day where there is none."""
    with state.transaction(SHORT_S) as connection:
        short_session(connection)
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(DDL_KEY)))
        if not sa.inspect(connection).has_table(name_of(day)):
            connection.exec_driver_sql(
                f"CREATE TABLE {name_of(day)} PARTITION OF {SAMPLES.name} FOR VALUES FROM ({day * DAY_S}) TO ({(day + 1) * DAY_S})"
            )


def drop(state: PostgresState, day: int) -> bool:
    """Drop the partition of a day whose every loop is sealed, with its rows; False where a loop is not.

    The lock on all samples comes first: whoever writes into the day meanwhile waits, and then finds no partition.
    """
    with state.transaction(SHORT_S) as connection:
        short_session(connection)
        connection.exec_driver_sql(f"LOCK TABLE {SAMPLES.name} IN ACCESS EXCLUSIVE MODE")
        sealed = sa.exists().where(MANIFEST.c.loop == HOT_LOOPS.c.loop, MANIFEST.c.day == day)
        rows = sa.exists().where(
            SAMPLES.c.loop == HOT_LOOPS.c.loop, SAMPLES.c.ts >= day * DAY_S, SAMPLES.c.ts < (day + 1) * DAY_S
        )
        left = sa.select(HOT_LOOPS.c.loop).where(HOT_LOOPS.c.day == day, ~sealed, rows).limit(1)
        if connection.execute(left).first() is not None:
            return False
        connection.exec_driver_sql(f"DROP TABLE IF EXISTS {name_of(day)}")
        connection.execute(HOT_LOOPS.delete().where(HOT_LOOPS.c.day == day))
        return True


def name_of(day: int) -> str:
    """The table of a day."""
    return f"samples_{day_name(day).replace('-', '_')}"
