"""Stretches of empty running belt as rows of the state database, so that a restart loses none of the ledger."""

from __future__ import annotations

import json
from collections.abc import Sequence

import sqlalchemy as sa

from checks.empties import KEPT_S, EmptyStretch, stretch_dict, stretch_from
from collector.history.tables import EMPTIES


def add(connection: sa.Connection, loop: str, stretches: Sequence[EmptyStretch]) -> None:
    """Store stretches of a loop; one that is there already stays as it is. What is older than the ledger keeps goes."""
    if not stretches:
        return
    rows = [
        {"loop": loop, "start_s": entry.start_s, "end_s": entry.end_s, "stretch": json.dumps(stretch_dict(entry))}
        for entry in stretches
    ]
    connection.execute(EMPTIES.insert().prefix_with("OR IGNORE"), rows)
    oldest = max(entry.end_s for entry in stretches) - KEPT_S
    connection.execute(EMPTIES.delete().where(EMPTIES.c.loop == loop, EMPTIES.c.end_s < oldest))


def read(connection: sa.Connection, loop: str) -> list[EmptyStretch]:
    """The stored stretches of a loop, oldest first."""
    wanted = sa.select(EMPTIES.c.stretch).where(EMPTIES.c.loop == loop).order_by(EMPTIES.c.start_s)
    return [stretch_from(json.loads(text)) for text in connection.execute(wanted).scalars()]
