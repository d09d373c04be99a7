"""The hours of a day of one role as one row, so that a year is drawn from some hundred rows and not from every rollup."""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from collector.history.layout import DAY_S
from collector.history.metadata import METADATA
from collector.history.statements import insert_or_replace

if TYPE_CHECKING:
    from collector.history.rollups import Stored
    from collector.history.trends import Rows

HOUR_S = 3600
FIELDS = ("n", "minimum", "mean", "maximum")
"""What is kept of each hour: good samples, and minimum, mean and maximum in the canonical unit of the role."""
HOURS_OF_DAY = DAY_S // HOUR_S

TREND_DAYS = sa.Table(
    "trend_days", METADATA,
    sa.Column("loop", sa.Text, primary_key=True),
    sa.Column("role", sa.Text, primary_key=True),
    sa.Column("day", sa.Integer, primary_key=True),
    sa.Column("hours", sa.LargeBinary, nullable=False),
    sqlite_with_rowid=False,
)  # fmt: skip
"""`hours` are 64-bit little-endian floats, compressed: each of `FIELDS` for the 24 hours of the UTC day, NaN where there is no row."""


def add(connection: sa.Connection, loop: str, stored: Stored) -> None:
    """Keep the hours of hourly rollups, in place of what is there."""
    days, place = np.unique(stored.start_s // DAY_S, return_inverse=True)
    hour = stored.start_s % DAY_S // HOUR_S
    known = {
        (row.role, row.day): row.hours
        for row in connection.execute(
            sa.select(TREND_DAYS.c.role, TREND_DAYS.c.day, TREND_DAYS.c.hours).where(
                TREND_DAYS.c.loop == loop, TREND_DAYS.c.day.in_(days.tolist())
            )
        )
    }
    rows = []
    for role in stored.layout["roles"]:
        own = np.full((len(days), len(FIELDS), HOURS_OF_DAY), np.nan)
        for number, day in enumerate(days.tolist()):
            if (role, day) in known:
                own[number] = _unpacked([known[role, day]])[0]
        for number, field in enumerate(FIELDS):
            own[place, number, hour] = stored.role(field, role)
        rows += [
            {"loop": loop, "role": role, "day": day, "hours": zlib.compress(whole.astype("<f8").tobytes(), 1)}
            for day, whole in zip(days.tolist(), own, strict=True)
        ]
    insert_or_replace(connection, TREND_DAYS, rows)


def read(connection: sa.Connection, loop: str, role: str, begin: int, end: int) -> Rows:
    """The hours of a role that begin in [begin, end) [epoch s], in order; nothing where there are none."""
    days = TREND_DAYS.c.day
    rows = connection.execute(
        sa.select(days, TREND_DAYS.c.hours)
        .where(
            TREND_DAYS.c.loop == loop, TREND_DAYS.c.role == role, days >= int(begin) // DAY_S, days <= (int(end) - 1) // DAY_S
        )
        .order_by(days)
    ).all()
    if not rows:
        return []
    hours = _unpacked([row.hours for row in rows])
    starts = np.array([row.day for row in rows], np.int64)[:, np.newaxis] * DAY_S + np.arange(HOURS_OF_DAY) * HOUR_S
    n, low, mean, high = (hours[:, number] for number in range(len(FIELDS)))
    wanted = np.isfinite(n) & (starts >= begin) & (starts < end)
    return [(starts[wanted], n[wanted], low[wanted], mean[wanted], high[wanted])]


def drop(connection: sa.Connection, loop: str, before: int) -> None:
    """Delete the days that end before a time [epoch s]; a day that it falls into is kept whole."""
    connection.execute(TREND_DAYS.delete().where(TREND_DAYS.c.loop == loop, TREND_DAYS.c.day < int(before) // DAY_S))


def _unpacked(packed: list[bytes]) -> NDArray[np.float64]:
    """Days of one role, shape (days, fields, 24)."""
    data = b"".join([zlib.decompress(one) for one in packed])
    return np.frombuffer(data, "<f8").reshape(len(packed), len(FIELDS), HOURS_OF_DAY)
