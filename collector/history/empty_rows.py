"""Stretches of empty running belt, and times that are left out of it, as rows: a restart loses none of the ledger."""

from __future__ import annotations

import json
from collections.abc import Sequence

import sqlalchemy as sa

from checks.empties import KEPT_S, EmptyStretch, stretch_dict, stretch_from
from collector.history.statements import insert_or_keep
from collector.history.tables import EMPTIES, VOIDS

Void = tuple[int, int]


def add(connection: sa.Connection, loop: str, stretches: Sequence[EmptyStretch]) -> None:
    """Store stretches of a loop; one that is there already stays as it is. What is older than the ledger keeps goes."""
    if not stretches:
        return
    rows = [
        {"loop": loop, "start_s": entry.start_s, "end_s": entry.end_s, "stretch": json.dumps(stretch_dict(entry))}
        for entry in stretches
    ]
    insert_or_keep(connection, EMPTIES, rows)
    oldest = max(entry.end_s for entry in stretches) - KEPT_S
    connection.execute(EMPTIES.delete().where(EMPTIES.c.loop == loop, EMPTIES.c.end_s < oldest))


def read(connection: sa.Connection, loop: str) -> list[EmptyStretch]:
    """The stored stretches of a loop, oldest first."""
    wanted = sa.select(EMPTIES.c.stretch).where(EMPTIES.c.loop == loop).order_by(EMPTIES.c.start_s)
    return [stretch_from(json.loads(text)) for text in connection.execute(wanted).scalars()]


def void(connection: sa.Connection, loop: str, voids: Sequence[Void]) -> None:
    """Store times in which the numbers of a loop meant nothing [epoch s]; times that touch become one, old ones go."""
    for first_s, last_s in voids:
        touching = sa.and_(VOIDS.c.loop == loop, VOIDS.c.first_s <= last_s + 1, VOIDS.c.last_s >= first_s - 1)
        found = connection.execute(sa.select(VOIDS.c.first_s, VOIDS.c.last_s).where(touching)).all()
        first = min([first_s, *(row.first_s for row in found)])
        last = max([last_s, *(row.last_s for row in found)])
        connection.execute(VOIDS.delete().where(touching))
        connection.execute(VOIDS.insert().values(loop=loop, first_s=first, last_s=last))
        connection.execute(VOIDS.delete().where(VOIDS.c.loop == loop, VOIDS.c.last_s < last_s - KEPT_S))


def voids(connection: sa.Connection, loop: str) -> list[Void]:
    """The stored times in which the numbers of a loop meant nothing, oldest first."""
    wanted = sa.select(VOIDS.c.first_s, VOIDS.c.last_s).where(VOIDS.c.loop == loop).order_by(VOIDS.c.first_s)
    return [(row.first_s, row.last_s) for row in connection.execute(wanted)]
