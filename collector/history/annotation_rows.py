"""Corrections of uptime by people, in the state database."""

from __future__ import annotations

import sqlalchemy as sa

from checks.reliability.timeline import Annotation, LoopState
from collector.history.tables import ANNOTATIONS


def add(connection: sa.Connection, one: Annotation) -> None:
    """Keep a correction; none is ever changed."""
    connection.execute(
        ANNOTATIONS.insert().values(
            loop=one.loop, begin_s=one.begin, end_s=one.end, state=one.state.value, by=one.by, reason=one.reason, made=one.made
        )
    )


def read(connection: sa.Connection, loop: str, begin: int, end: int) -> list[Annotation]:
    """The corrections of a loop that touch a time, in the order in which they were made."""
    table = ANNOTATIONS.c
    wanted = sa.select(ANNOTATIONS).where(table.loop == loop, table.begin_s < end, table.end_s > begin).order_by(table.id)
    return [
        Annotation(
            loop=row.loop, begin=row.begin_s, end=row.end_s, state=LoopState(row.state), by=row.by, reason=row.reason,
            made=row.made,
        )
        for row in connection.execute(wanted)
    ]  # fmt: skip
