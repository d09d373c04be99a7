"""What of a history may go: days beyond the retention, the oldest days of a disk that runs full, old rollups."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable
from pathlib import Path

import sqlalchemy as sa

from collector.history import trend_rows
from collector.history.hour_rows import HOUR_S, HOURS
from collector.history.layout import day_of
from collector.history.state import StateDb
from collector.history.tables import ROLLUPS
from config.model import History

LEAST_FREE_B = 2**30
"""A disk with less room than this loses its oldest sealed days; own choice: more than a day of fifty loops takes [bytes]."""
ALWAYS_KEPT_D = 7
"""Sealed days that a full disk never costs [days]."""

LoopDay = tuple[str, int]


def free_bytes(folder: Path) -> int:
    """Room on the disk of a folder [bytes]."""
    return shutil.disk_usage(folder).free


def beyond(sealed: Iterable[LoopDay], kept: History, now: float) -> list[LoopDay]:
    """Sealed loop-days that are older than the site keeps raw samples, oldest first."""
    if kept.raw is None:
        return []
    first = day_of(now - kept.raw)
    return sorted((one for one in sealed if one[1] < first), key=lambda one: (one[1], one[0]))


def for_room(sealed: Iterable[LoopDay], now: float, is_short: Callable[[], bool], drop: Callable[[LoopDay], None]) -> list[int]:
    """Drop the oldest sealed days, one after the other, while room is short; returns the days dropped."""
    by_day: dict[int, list[LoopDay]] = {}
    for one in sealed:
        by_day.setdefault(one[1], []).append(one)
    dropped = []
    for day in sorted(day for day in by_day if day < day_of(now) - ALWAYS_KEPT_D):
        if not is_short():
            break
        for one in sorted(by_day[day]):
            drop(one)
        dropped.append(day)
    return dropped


def drop_rollups(state: StateDb, loops: Iterable[str], kept: History, now: float) -> None:
    """Delete rollups beyond their retention, a short transaction for each loop and length."""
    for length_s, seconds in ((60, kept.minute), (HOUR_S, kept.hour)):
        if seconds is None:
            continue
        for loop in loops:
            with state.transaction() as connection:
                connection.execute(
                    ROLLUPS.delete().where(
                        ROLLUPS.c.loop == loop, ROLLUPS.c.length_s == length_s, ROLLUPS.c.start_s < int(now - seconds)
                    )
                )
                if length_s == HOUR_S:
                    connection.execute(HOURS.delete().where(HOURS.c.loop == loop, HOURS.c.start_s < int(now - seconds)))
                    trend_rows.drop(connection, loop, int(now - seconds))


def loops_with_rollups(state: StateDb) -> list[str]:
    """Every loop that has rollups, also those that have left the site."""
    with state.transaction() as connection:
        found: list[str] = []
        while True:  # a step from loop to loop along the key, instead of a walk over all rows
            wanted = sa.select(sa.func.min(ROLLUPS.c.loop)).where(ROLLUPS.c.loop > (found[-1] if found else ""))
            loop = connection.execute(wanted).scalar_one()
            if loop is None:
                return found
            found.append(loop)
