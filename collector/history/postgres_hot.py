"""Samples of days that are not sealed yet, in the shared database: rows in and out."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray
from sqlalchemy.dialects import postgresql

from checks.samples import BAD, Samples
from collector.history import partitions
from collector.history.hot import ABSENT, by_day
from collector.history.layout import DAY_S, day_name, day_of
from collector.history.leases import Fence
from collector.history.postgres_state import PostgresState
from collector.history.shared_tables import HOT_LOOPS, SAMPLE_LAYOUTS, SAMPLES
from collector.history.statements import SHORT_S, insert_or_keep
from collector.history.tables import MANIFEST
from config.errors import StoreError

MOST_ROWS = 1000
"""Rows of a transaction: what a service could not write for a while is many short ones, so that its leases are renewed between."""
COLUMNS = [SAMPLES.c[name] for name in ("ts", "loop", "epoch", "layout", "flags", "quality", "readings")]


def _insert() -> Any:
    """One statement for the rows of many loops; a day that is closed or sealed takes none."""
    arrays = [sa.bindparam(column.name, type_=postgresql.ARRAY(column.type)) for column in COLUMNS]
    new = (
        sa.func.unnest(*arrays).table_valued(*(sa.column(column.name, column.type) for column in COLUMNS)).render_derived("new")
    )
    day = sa.cast(sa.func.div(new.c.ts, DAY_S), sa.Integer)
    sealed = sa.exists().where(MANIFEST.c.loop == new.c.loop, MANIFEST.c.day == day)
    closed = sa.exists().where(HOT_LOOPS.c.loop == new.c.loop, HOT_LOOPS.c.day == day, HOT_LOOPS.c.closed)
    rows = sa.select(*(new.c[column.name] for column in COLUMNS)).where(~sealed, ~closed)
    return (
        postgresql.insert(SAMPLES)
        .from_select([column.name for column in COLUMNS], rows)
        .on_conflict_do_nothing()
        .execution_options(preserve_rowcount=True)
    )


INSERT = _insert()


class PostgresHot:
    """Appends under a fence, reads without one. What the server has told of days and layouts is remembered."""

    def __init__(self, state: PostgresState) -> None:
        self._state = state
        self._layouts: dict[tuple[str, ...], int] = {}
        self._roles: dict[int, tuple[str, ...]] = {}
        self._days: set[int] = set()
        self._known: dict[tuple[int, str], int] = {}

    def append(self, parts: Sequence[Samples], fence: Fence) -> tuple[int, int]:
        """Write rows; how many were new, and how many belong to loops that another collector has.

        What a service keeps in a second is one transaction; an import of more than `MOST_ROWS` is several.
        """
        pieces = [part[slice(first, first + MOST_ROWS)] for part in parts for first in range(0, len(part), MOST_ROWS)]
        new = foreign = 0
        while pieces:
            taken = [pieces.pop(0)]
            while pieces and sum(map(len, taken)) + len(pieces[0]) <= MOST_ROWS:
                taken.append(pieces.pop(0))
            done = self._append_again(taken, fence)
            new, foreign = new + done[0], foreign + done[1]
        return new, foreign

    def _append_again(self, parts: Sequence[Samples], fence: Fence) -> tuple[int, int]:
        try:
            return self._append(parts, fence)
        except sa.exc.IntegrityError:  # the partition has gone: another has sealed the day and dropped it
            self._days.clear()
            self._known.clear()
            return self._append(parts, fence)

    def _append(self, parts: Sequence[Samples], fence: Fence) -> tuple[int, int]:
        split = [(day, part) for whole in parts for day, part in by_day(whole)]
        for day in sorted({day for day, _ in split} - self._days):
            partitions.make(self._state, day)
            self._days.add(day)
        layouts = [self._layout(tuple(part.values)) for _, part in split]
        learnt: dict[tuple[int, str], int] = {}
        with self._state.transaction(fence.limit_s) as connection:
            epochs = fence.share(connection, sorted({part.loop for _, part in split}))
            foreign = sum(len(part) for _, part in split if part.loop not in epochs)
            rows: list[list[Any]] = [[] for _ in COLUMNS]
            for (day, part), layout in zip(split, layouts, strict=True):
                if part.loop in epochs:
                    self._check_step(connection, day, part, learnt)
                    for column, values in zip(rows, _columns(part, epochs[part.loop], layout), strict=True):
                        column += values
            new = 0
            if rows[0]:
                arrays = {column.name: values for column, values in zip(COLUMNS, rows, strict=True)}
                new = connection.execute(INSERT, arrays).rowcount
        self._known |= learnt
        return new, foreign

    def _check_step(self, connection: sa.Connection, day: int, part: Samples, learnt: dict[tuple[int, str], int]) -> None:
        """All samples of a loop and day have one step."""
        key = (day, part.loop)
        step_s = self._known.get(key, learnt.get(key))
        if step_s is None:
            insert_or_keep(connection, HOT_LOOPS, [{"day": day, "loop": part.loop, "step_s": part.step_s, "closed": False}])
            wanted = sa.select(HOT_LOOPS.c.step_s).where(HOT_LOOPS.c.day == day, HOT_LOOPS.c.loop == part.loop)
            step_s = learnt[key] = int(connection.execute(wanted).scalar_one())
        if step_s != part.step_s:
            raise StoreError(
                f"{part.loop} has samples every {step_s} s on {day_name(day)},"
                f" so samples every {part.step_s} s cannot be added to that day",
                fix="leave that day out of what is imported, or resample it",
            )

    def _layout(self, roles: tuple[str, ...]) -> int:
        if roles not in self._layouts:
            text = json.dumps(roles)
            with self._state.transaction(SHORT_S) as connection:
                insert_or_keep(connection, SAMPLE_LAYOUTS, [{"roles": text}])
                wanted = sa.select(SAMPLE_LAYOUTS.c.id).where(SAMPLE_LAYOUTS.c.roles == text)
                self._layouts[roles] = int(connection.execute(wanted).scalar_one())
        return self._layouts[roles]

    def days(self, loop: str | None) -> list[int]:
        """Days with rows that are not sealed, oldest first; of one loop or of all."""
        wanted = sa.select(HOT_LOOPS.c.day).distinct().order_by(HOT_LOOPS.c.day)
        with self._state.transaction() as connection:
            return list(connection.execute(wanted if loop is None else wanted.where(HOT_LOOPS.c.loop == loop)).scalars())

    def loops(self, day: int) -> list[str]:
        """The loops of a day."""
        with self._state.transaction() as connection:
            return list(connection.execute(sa.select(HOT_LOOPS.c.loop).where(HOT_LOOPS.c.day == day)).scalars())

    def close_day(self, loop: str, day: int, fence: Fence) -> bool:
        """Let a loop-day take no more rows; False where another collector has the loop."""
        with self._state.transaction(SHORT_S) as connection:
            if loop not in fence.share(connection, (loop,)):
                return False
            one = sa.and_(HOT_LOOPS.c.loop == loop, HOT_LOOPS.c.day == day)
            connection.execute(HOT_LOOPS.update().where(one).values(closed=True))
            return True

    def extent(self, loop: str) -> list[tuple[int, int]]:
        """First second and last second + step of the first and the last day of a loop."""
        wanted = sa.select(HOT_LOOPS.c.day, HOT_LOOPS.c.step_s).where(HOT_LOOPS.c.loop == loop).order_by(HOT_LOOPS.c.day)
        with self._state.transaction() as connection:
            days = connection.execute(wanted).all()
            ends = []
            for row in (days[0], days[-1]) if days else ():
                inside = sa.and_(SAMPLES.c.loop == loop, SAMPLES.c.ts >= row.day * DAY_S, SAMPLES.c.ts < (row.day + 1) * DAY_S)
                first, last = (
                    connection.execute(sa.select(SAMPLES.c.ts).where(inside).order_by(order).limit(1)).scalar_one_or_none()
                    for order in (SAMPLES.c.ts.asc(), SAMPLES.c.ts.desc())
                )
                if first is not None and last is not None:
                    ends.append((int(first), int(last) + row.step_s))
        return ends

    def read(self, loop: str, begin: int, end: int, only: str | None = None) -> Samples | None:
        """The rows of a loop in a part of one day, None where there are none; `only` leaves out all roles but one."""
        wanted = (
            sa.select(SAMPLES.c.ts, SAMPLES.c.layout, SAMPLES.c.flags, SAMPLES.c.quality, SAMPLES.c.readings)
            .where(SAMPLES.c.loop == loop, SAMPLES.c.ts >= begin, SAMPLES.c.ts < end)
            .order_by(SAMPLES.c.ts)
        )
        with self._state.transaction() as connection:
            rows = connection.execute(wanted).all()
            if not rows:
                return None
            step = sa.select(HOT_LOOPS.c.step_s).where(HOT_LOOPS.c.loop == loop, HOT_LOOPS.c.day == day_of(begin))
            step_s = connection.execute(step).scalar_one_or_none() or 1
            self._learn_layouts(connection, {row.layout for row in rows})
        return _samples(loop, step_s, rows, self._roles, only)

    def _learn_layouts(self, connection: sa.Connection, wanted: set[int]) -> None:
        missing = wanted - self._roles.keys()
        if missing:
            for row in connection.execute(sa.select(SAMPLE_LAYOUTS).where(SAMPLE_LAYOUTS.c.id.in_(missing))):
                self._roles[row.id] = tuple(json.loads(row.roles))


def _columns(part: Samples, epoch: int, layout: int) -> list[list[Any]]:
    """The rows of a part by column, in the order of `COLUMNS`."""
    n = len(part)
    readings = np.array([part.values[role] for role in part.values], "<f8").reshape(-1, n).T
    quality = np.array([part.quality[role] for role in part.values], np.uint8).reshape(-1, n).T
    return [
        part.time_s.tolist(), [part.loop] * n, [epoch] * n, [layout] * n, part.flags.tolist(),
        [row.tobytes() for row in quality], [row.tobytes() for row in readings],
    ]  # fmt: skip


def _samples(
    loop: str, step_s: int, rows: Sequence[Any], roles_of: Mapping[int, tuple[str, ...]], only: str | None
) -> Samples | None:
    """Rows as samples; a role that some of them lack is bad there."""
    ts, layouts, flags, qualities, readings = zip(*rows, strict=True)
    layout = np.array(layouts)
    values: dict[str, NDArray[np.float64]] = {}
    quality: dict[str, NDArray[np.uint8]] = {}
    for number in dict.fromkeys(reversed(layouts)):
        roles = roles_of[number]
        places = np.flatnonzero(layout == number)
        numbers = np.frombuffer(b"".join(readings[place] for place in places), "<f8").reshape(len(places), len(roles))
        codes = np.frombuffer(b"".join(qualities[place] for place in places), np.uint8).reshape(len(places), len(roles))
        for column, role in enumerate(roles):
            if only in (None, role):
                values.setdefault(role, np.full(len(rows), np.nan))[places] = numbers[:, column]
                quality.setdefault(role, np.full(len(rows), ABSENT, np.uint8))[places] = codes[:, column]
    for role in quality:
        quality[role][quality[role] == ABSENT] = BAD
    return Samples(
        loop=loop, step_s=step_s, time_s=np.array(ts, np.int64), values=values, quality=quality, flags=np.array(flags, np.uint8)
    )
