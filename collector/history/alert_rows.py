"""Alerts, what happened to them, their messages and the episode trackers, as rows of the state database."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from typing import Any

import sqlalchemy as sa

from collector.alerts.model import Alert, AlertState, Priority, Transition
from collector.alerts.stored import alert_of, row_of
from collector.history.tables import ALERTS, OUTBOX, TRACKERS, TRANSITIONS


class AlertRows:
    """Rows seen and written through one connection, so within one transaction of whoever opened it."""

    def __init__(self, connection: sa.Connection) -> None:
        self._connection = connection

    def find(self, alert: str) -> Alert | None:
        """One alert by id."""
        row = self._connection.execute(sa.select(ALERTS).where(ALERTS.c.id == alert)).one_or_none()
        return None if row is None else alert_of(row)

    def in_states(self, states: Collection[AlertState], loop: str | None = None) -> list[Alert]:
        """The alerts in any of these states, of one loop or of all."""
        wanted = sa.select(ALERTS).where(ALERTS.c.state.in_([state.value for state in states]))
        return self._alerts(wanted if loop is None else wanted.where(ALERTS.c.loop == loop))

    def active(self) -> list[Alert]:
        """The alerts whose condition stands."""
        return self._alerts(sa.select(ALERTS).where(ALERTS.c.active.is_(True)))

    def raised(self, begin: float, end: float, limit: int) -> list[Alert]:
        """The alerts raised in a time, newest first."""
        wanted = sa.select(ALERTS).where(ALERTS.c.raised >= begin, ALERTS.c.raised < end)
        return self._alerts(wanted.order_by(ALERTS.c.raised.desc()).limit(limit))

    def shelving_over(self, now: float) -> list[Alert]:
        """The shelved alerts whose time is over."""
        return self._alerts(sa.select(ALERTS).where(ALERTS.c.state == AlertState.SHELVED.value, ALERTS.c.shelved_until <= now))

    def unheard(self, raised_until: float) -> list[Alert]:
        """Alerts of high priority, raised until a time, that nobody has acknowledged or been reminded of."""
        return self._alerts(
            sa.select(ALERTS).where(
                ALERTS.c.state == AlertState.UNACKNOWLEDGED.value, ALERTS.c.priority == Priority.HIGH.value,
                ALERTS.c.raised <= raised_until, ALERTS.c.reminded.is_(None),
            )
        )  # fmt: skip

    def add(self, alert: Alert) -> None:
        """Store a new alert."""
        self._connection.execute(ALERTS.insert().values(**row_of(alert), refinements_told=0))

    def change(self, alert: Alert) -> None:
        """Store what an alert has become."""
        self._connection.execute(ALERTS.update().where(ALERTS.c.id == alert.id).values(**row_of(alert)))

    def refinements_told(self, alert: str) -> int:
        """How many messages have told of a refined cause."""
        wanted = sa.select(ALERTS.c.refinements_told).where(ALERTS.c.id == alert)
        return int(self._connection.execute(wanted).scalar_one())

    def refinement_told(self, alert: str) -> None:
        """Count one more message about a refined cause."""
        told = ALERTS.c.refinements_told + 1
        self._connection.execute(ALERTS.update().where(ALERTS.c.id == alert).values(refinements_told=told))

    def reminded(self, alert: str, now: float) -> None:
        """Note that an alert has been told once more."""
        self._connection.execute(ALERTS.update().where(ALERTS.c.id == alert).values(reminded=now))

    def note(self, transition: Transition) -> int:
        """Add to the history of an alert; returns the number of the entry."""
        done = self._connection.execute(
            TRANSITIONS.insert().values(
                time=transition.time, alert=transition.alert, old=transition.old.value, new=transition.new.value,
                by=transition.by, note=transition.note, message=transition.message,
            )
        )  # fmt: skip
        assert done.inserted_primary_key is not None
        return int(done.inserted_primary_key[0])

    def transitions(self, alert: str) -> list[Transition]:
        """Everything that happened to an alert, oldest first."""
        wanted = sa.select(TRANSITIONS).where(TRANSITIONS.c.alert == alert).order_by(TRANSITIONS.c.id)
        return [
            Transition(
                time=row.time, alert=row.alert, old=AlertState(row.old), new=AlertState(row.new), by=row.by, note=row.note,
                message=row.message,
            )
            for row in self._connection.execute(wanted)
        ]  # fmt: skip

    def post(self, *, key: str, target: str, alert: str, message: str, now: float) -> None:
        """Put a message into the outbox."""
        self._connection.execute(
            OUTBOX.insert().values(
                key=key, target=target, alert=alert, message=message, created=now, attempts=0, next_try=now, delivered=None,
                dead=False, error="",
            )
        )  # fmt: skip

    def keep_tracker(self, loop: str, state: Mapping[str, Any]) -> None:
        """Keep the state of an episode tracker in place of the one before."""
        self._connection.execute(TRACKERS.delete().where(TRACKERS.c.loop == loop))
        self._connection.execute(TRACKERS.insert().values(loop=loop, state=json.dumps(state, allow_nan=False)))

    def trackers(self) -> dict[str, dict[str, Any]]:
        """The states of the episode trackers, by loop."""
        return {row.loop: json.loads(row.state) for row in self._connection.execute(sa.select(TRACKERS))}

    def _alerts(self, wanted: sa.Select[Any]) -> list[Alert]:
        return [alert_of(row) for row in self._connection.execute(wanted)]
