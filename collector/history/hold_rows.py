"""Orders about alerts that outlast one alert, the marks of telling, and the earlier times that an alert stood, as rows."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

import sqlalchemy as sa

from collector.alerts.holds import Hold, HoldKind
from collector.alerts.model import Alert
from collector.alerts.stored import finding_text
from collector.history.tables import HOLDS, MARKS, SPELLS

_AT = (
    sa.select(HOLDS)
    .where(HOLDS.c.ended.is_(None), HOLDS.c.loop == sa.bindparam("at_loop"), HOLDS.c.link == sa.bindparam("at_link"))
    .order_by(HOLDS.c.id.desc())
)
_MARK = sa.select(MARKS.c.value).where(MARKS.c.name == sa.bindparam("wanted"))
_KEEP_MARK = MARKS.update().where(MARKS.c.name == sa.bindparam("wanted"))


class HoldRows:
    """Rows seen and written through one connection, so within one transaction of whoever opened it."""

    def __init__(self, connection: sa.Connection) -> None:
        self._connection = connection

    def in_force(self) -> list[Hold]:
        """Every order that has not ended, oldest first."""
        wanted = sa.select(HOLDS).where(HOLDS.c.ended.is_(None)).order_by(HOLDS.c.id)
        return [_hold(row) for row in self._connection.execute(wanted)]

    def over(self, kind: HoldKind, loop: str, link: str) -> Hold | None:
        """The latest order of a kind in force over a link."""
        return next((hold for hold in self.at(loop, link) if hold.kind is kind), None)

    def at(self, loop: str, link: str) -> list[Hold]:
        """Every order in force over a link, the latest first."""
        return [_hold(row) for row in self._connection.execute(_AT, {"at_loop": loop, "at_link": link})]

    def find(self, hold: int) -> Hold | None:
        """One order."""
        row = self._connection.execute(sa.select(HOLDS).where(HOLDS.c.id == hold)).one_or_none()
        return None if row is None else _hold(row)

    def add(self, hold: Hold) -> int:
        """Store an order; returns its number."""
        values = {key: value for key, value in asdict(hold).items() if key != "id"} | {"kind": hold.kind.value}
        done = self._connection.execute(HOLDS.insert().values(**values))
        assert done.inserted_primary_key is not None
        return int(done.inserted_primary_key[0])

    def end(self, hold: int, *, now: float, by: str, note: str) -> None:
        """End an order."""
        self._connection.execute(HOLDS.update().where(HOLDS.c.id == hold).values(ended=now, ended_by=by, end_note=note))

    def marks(self) -> dict[str, Any]:
        """What the telling remembers, by name."""
        return {row.name: json.loads(row.value) for row in self._connection.execute(sa.select(MARKS))}

    def mark(self, name: str) -> Any:
        """What the telling remembers under a name, None where nothing."""
        value = self._connection.execute(_MARK, {"wanted": name}).scalar_one_or_none()
        return None if value is None else json.loads(value)

    def keep_mark(self, name: str, value: Any) -> None:
        """Remember under a name."""
        text = json.dumps(value, allow_nan=False)
        if not self._connection.execute(_KEEP_MARK, {"wanted": name, "value": text}).rowcount:
            self._connection.execute(MARKS.insert(), {"name": name, "value": text})

    def keep_spell(self, alert: Alert) -> None:
        """Keep the time that an alert stood, before it is opened again."""
        self._connection.execute(
            SPELLS.insert(),
            {
                "alert": alert.id, "loop": alert.loop, "raised": alert.raised, "returned": alert.returned,
                "finding": finding_text(alert.finding),
            },
        )  # fmt: skip


def _hold(row: sa.Row[Any]) -> Hold:
    return Hold(**dict(row._mapping) | {"kind": HoldKind(row.kind)})
