"""Alerts, what happened to them, their messages and the episode trackers, as rows of the state database."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Any

import sqlalchemy as sa

from checks.result import Link
from collector.alerts.model import Alert, AlertState, Annunciation, Priority, Transition
from collector.alerts.performance import Span
from collector.alerts.stored import alert_of, finding_of, row_of
from collector.history.hold_rows import HoldRows
from collector.history.statements import one_at_a_time
from collector.history.tables import ALERTS, HOLDS, OUTBOX, SPELLS, TRACKERS, TRANSITIONS

_BY_ID = sa.select(ALERTS).where(ALERTS.c.id == sa.bindparam("wanted"))
_BY_EPISODE = sa.select(ALERTS).where(ALERTS.c.episode == sa.bindparam("wanted")).limit(1)
_LAST_AT = (
    sa.select(ALERTS)
    .where(ALERTS.c.loop == sa.bindparam("at_loop"), ALERTS.c.link == sa.bindparam("at_link"))
    .order_by(ALERTS.c.raised.desc())
    .limit(1)
)
_ANY_AT_WORK = sa.select(
    sa.or_(
        sa.exists().where(ALERTS.c.state.in_([state.value for state in AlertState if state is not AlertState.NORMAL])),
        sa.exists().where(HOLDS.c.ended.is_(None)),
        sa.exists().where(ALERTS.c.return_due.is_not(None)),
    )
)
_CHANGE = ALERTS.update().where(ALERTS.c.id == sa.bindparam("wanted"))
_REMINDED = ALERTS.update().where(ALERTS.c.id == sa.bindparam("wanted")).values(reminded=sa.bindparam("at"))
"""Statements of every change of every alert, made once: making them anew costs more than the database does."""


class AlertRows:
    """Rows seen and written through one connection, so within one transaction of whoever opened it."""

    def __init__(self, connection: sa.Connection) -> None:
        one_at_a_time(connection, "alerts")
        self._connection = connection
        self.holds = HoldRows(connection)

    def find(self, alert: str) -> Alert | None:
        """One alert by id."""
        row = self._connection.execute(_BY_ID, {"wanted": alert}).one_or_none()
        return None if row is None else alert_of(row)

    def of_episode(self, episode: str) -> Alert | None:
        """The alert that an episode belongs to."""
        found = self.find(episode)
        if found is not None and found.episode == episode:
            return found
        row = self._connection.execute(_BY_EPISODE, {"wanted": episode}).one_or_none()
        return None if row is None else alert_of(row)

    def last_at(self, loop: str, link: str) -> Alert | None:
        """The alert of a link that was raised last."""
        row = self._connection.execute(_LAST_AT, {"at_loop": loop, "at_link": link}).one_or_none()
        return None if row is None else alert_of(row)

    def children(self, parent: str) -> list[Alert]:
        """The alerts that are consequences of another one and do not rest."""
        wanted = sa.select(ALERTS).where(ALERTS.c.parent == parent, ALERTS.c.state != AlertState.NORMAL.value)
        return self._alerts(wanted)

    def in_states(self, states: Collection[AlertState], loop: str | None = None) -> list[Alert]:
        """The alerts in any of these states, of one loop or of all."""
        wanted = sa.select(ALERTS).where(ALERTS.c.state.in_([state.value for state in states]))
        return self._alerts(wanted if loop is None else wanted.where(ALERTS.c.loop == loop))

    def active(self) -> list[Alert]:
        """The alerts whose condition stands."""
        return self._alerts(sa.select(ALERTS).where(ALERTS.c.active.is_(True)))

    def raised(self, begin: float, end: float, limit: int) -> list[Alert]:
        """Every time that an alert stood and was raised in a time, newest first: one that was opened again is there each time."""
        wanted = sa.select(ALERTS).where(ALERTS.c.raised >= begin, ALERTS.c.raised < end)
        last = self._alerts(wanted.order_by(ALERTS.c.raised.desc()).limit(limit))
        both = sa.select(ALERTS, SPELLS.c.raised.label("rose"), SPELLS.c.returned.label("went"), SPELLS.c.finding.label("was"))
        joined = both.join(SPELLS, SPELLS.c.alert == ALERTS.c.id).where(SPELLS.c.raised >= begin, SPELLS.c.raised < end)
        earlier = [
            replace(
                alert_of(row), state=AlertState.NORMAL, active=False, raised=row.rose, returned=row.went,
                finding=finding_of(row.was),
            )
            for row in self._connection.execute(joined.order_by(SPELLS.c.raised.desc()).limit(limit))
        ]  # fmt: skip
        return sorted([*last, *earlier], key=lambda alert: -alert.raised)[:limit]

    def spans(self, begin: float, end: float) -> list[Span]:
        """The same times without what stood there, in no order."""
        return [
            Span(row.raised, row.returned)
            for table in (ALERTS, SPELLS)
            for row in self._connection.execute(
                sa.select(table.c.raised, table.c.returned).where(table.c.raised >= begin, table.c.raised < end)
            )
        ]

    def over(self, begin: float, end: float, limit: int) -> list[Alert]:
        """The alerts raised last in a time, one each, newest first."""
        wanted = sa.select(ALERTS).where(ALERTS.c.raised >= begin, ALERTS.c.raised < end)
        return self._alerts(wanted.order_by(ALERTS.c.raised.desc()).limit(limit))

    def counted(self, states: Collection[AlertState]) -> int:
        """How many alerts are in any of these states."""
        wanted = sa.select(sa.func.count()).select_from(ALERTS).where(ALERTS.c.state.in_([state.value for state in states]))
        return int(self._connection.execute(wanted).scalar_one())

    def any_at_work(self) -> bool:
        """Whether any alert is not normal or its return waits to be told, or any order is in force."""
        return bool(self._connection.execute(_ANY_AT_WORK).scalar_one())

    def shelving_over(self, now: float) -> list[Alert]:
        """The shelved alerts whose time is over."""
        return self._alerts(sa.select(ALERTS).where(ALERTS.c.state == AlertState.SHELVED.value, ALERTS.c.shelved_until <= now))

    def unheard(self, since: float, priority: Priority | None = None) -> list[Alert]:
        """Alerts that stand, have waited for an acknowledgement since a time or longer, and were not told of that to the last,
        the oldest first."""
        wanted = sa.select(ALERTS).where(
            ALERTS.c.state == AlertState.UNACKNOWLEDGED.value, ALERTS.c.waiting_since <= since, ALERTS.c.reminded.is_(None)
        )
        if priority is not None:
            wanted = wanted.where(ALERTS.c.priority == priority.value)
        return self._alerts(wanted.order_by(ALERTS.c.waiting_since))

    def waiting_ahead(self, now: float, longest_s: float) -> list[Alert]:
        """Alerts whose times lie further ahead than they can, as the clock has stepped back since."""
        ahead = sa.or_(ALERTS.c.waiting_since > now, ALERTS.c.return_due > now + longest_s)
        return self._alerts(sa.select(ALERTS).where(ahead))

    def beside(self, alert: Alert, since: float) -> list[Alert]:
        """The alerts whose condition stands in the same loop, and for one of communication, those raised since in any loop."""
        near = ALERTS.c.loop == alert.loop
        if alert.link == Link.COMMUNICATION.value:
            near = sa.or_(near, sa.and_(ALERTS.c.link == alert.link, ALERTS.c.raised >= since))
        return self._alerts(sa.select(ALERTS).where(ALERTS.c.active.is_(True), near))

    def returns_due(self, now: float) -> list[Alert]:
        """Alerts whose return has lasted long enough to be told."""
        return self._alerts(sa.select(ALERTS).where(ALERTS.c.return_due <= now))

    def orphans(self, returned_until: float) -> list[Alert]:
        """Suppressed consequences of alerts that returned before a time, or are not there."""
        parent = ALERTS.alias()
        gone = sa.or_(parent.c.id.is_(None), sa.and_(parent.c.active.is_(False), parent.c.returned <= returned_until))
        return self._alerts(
            sa.select(ALERTS)
            .outerjoin(parent, parent.c.id == ALERTS.c.parent)
            .where(ALERTS.c.parent != "", ALERTS.c.state == AlertState.SUPPRESSED.value, gone)
        )

    def add(self, alert: Alert) -> None:
        """Store a new alert."""
        self._connection.execute(ALERTS.insert(), {**row_of(alert), "refinements_told": 0})

    def change(self, alert: Alert) -> None:
        """Store what an alert has become."""
        self._connection.execute(_CHANGE, {"wanted": alert.id, **row_of(alert)})

    def refinements_told(self, alert: str) -> int:
        """How many messages have told of a refined cause."""
        wanted = sa.select(ALERTS.c.refinements_told).where(ALERTS.c.id == alert)
        return int(self._connection.execute(wanted).scalar_one())

    def refinement_told(self, alert: str) -> None:
        """Count one more message about a refined cause."""
        told = ALERTS.c.refinements_told + 1
        self._connection.execute(ALERTS.update().where(ALERTS.c.id == alert).values(refinements_told=told))

    def reminded(self, alert: str, now: float | None) -> None:
        """Note that it has been told to the last that nobody acknowledges an alert; None where that begins anew."""
        self._connection.execute(_REMINDED, {"wanted": alert, "at": now})

    def note(self, transition: Transition) -> int:
        """Add to the history of an alert; returns the number of the entry."""
        done = self._connection.execute(
            TRANSITIONS.insert(),
            {
                "time": transition.time, "alert": transition.alert, "old": transition.old.value, "new": transition.new.value,
                "by": transition.by, "note": transition.note, "message": transition.message,
            },
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

    def annunciations(self, begin: float, end: float) -> list[Annunciation]:
        """Every time in [begin, end) that an alert began to ask for attention, oldest first."""
        rising = sa.and_(TRANSITIONS.c.new == AlertState.UNACKNOWLEDGED.value, TRANSITIONS.c.old != TRANSITIONS.c.new)
        wanted = (
            sa.select(TRANSITIONS.c.time, ALERTS.c.id, ALERTS.c.loop, ALERTS.c.link, ALERTS.c.priority)
            .join(ALERTS, ALERTS.c.id == TRANSITIONS.c.alert)
            .where(rising, TRANSITIONS.c.time >= begin, TRANSITIONS.c.time < end)
            .order_by(TRANSITIONS.c.time, TRANSITIONS.c.id)
        )
        return [
            Annunciation(time=row.time, alert=row.id, loop=row.loop, link=row.link, priority=Priority(row.priority))
            for row in self._connection.execute(wanted)
        ]

    def first_transition(self) -> float | None:
        """When the first thing happened to any alert."""
        return self._connection.execute(sa.select(sa.func.min(TRANSITIONS.c.time))).scalar_one_or_none()

    def posted(self, key: str) -> bool:
        """Whether a message of this key was put into the outbox."""
        return self._connection.execute(sa.select(OUTBOX.c.id).where(OUTBOX.c.key == key)).one_or_none() is not None

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
