"""The alert book: every change of an alert, its history and its messages in one transaction."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from checks.episodes import SUPPRESSES_ALL, EpisodeChange
from collector.alerts.lifecycle import ANNUNCIATED, Move, after
from collector.alerts.model import Alert, AlertState, Priority, Transition
from collector.alerts.priority import priority_of
from collector.alerts.stored import alert_of, row_of
from collector.history.state import StateDb
from collector.history.tables import ALERTS, OUTBOX, TRACKERS, TRANSITIONS
from config.errors import TallywireError

SERVICE = "tallywire"
LONGEST_SHELVE_S = 30 * 86400.0
REFINEMENTS_TOLD = 1
"""Messages about a refined cause of one alert; more are history only."""
REMIND_AFTER_S = 1800.0
"""After this time an alert of high priority that nobody has acknowledged is told once more [s]; own choice."""
URGENCY = {Priority.HIGH: 0, Priority.MEDIUM: 1, Priority.LOW: 2}


class AlertBook:
    """See `collector.alerts.desk.AlertDesk`. Messages go to the outbox for each of `targets` (names of deliveries)."""

    def __init__(self, state: StateDb, targets: Sequence[str]) -> None:
        self._state = state
        self._targets = tuple(targets)

    def take(
        self, changes: Sequence[EpisodeChange], *, now: float, trackers: Mapping[str, Mapping[str, Any]] | None = None
    ) -> None:
        """Take what changed in the episodes, with the state of the trackers that saw it; all or nothing."""
        with self._state.transaction() as connection:
            for change in changes:
                self._change(connection, change, now)
            for loop, state in (trackers or {}).items():
                connection.execute(
                    TRACKERS.insert().prefix_with("OR REPLACE").values(loop=loop, state=json.dumps(state, allow_nan=False))
                )

    def trackers(self) -> dict[str, dict[str, Any]]:
        """The states of the episode trackers as they were last kept, by loop."""
        with self._state.transaction() as connection:
            return {row.loop: json.loads(row.state) for row in connection.execute(sa.select(TRACKERS))}

    def note_suppression(self, loop: str, reason: str, *, now: float) -> None:
        """Take the reason for which the process holds the alerts of a loop back, '' where there is none.

        People at work on a loop (maintenance, calibrating) suppress what stands there; it comes back by its condition when no
        reason is left. A belt that stops only holds back what is not raised yet, which is the work of the episodes: else every
        stop would ask anew for what has been acknowledged.
        """
        standing = sa.select(ALERTS).where(ALERTS.c.loop == loop)
        with self._state.transaction() as connection:
            if not reason:
                held = standing.where(ALERTS.c.state == AlertState.SUPPRESSED.value)
                for alert in [alert_of(row) for row in connection.execute(held)]:
                    self._move(connection, alert, Move.UNSUPPRESS, now, SERVICE, "the reason for suppression has ended")
            elif reason in SUPPRESSES_ALL:
                shown = standing.where(ALERTS.c.state.in_([state.value for state in (*ANNUNCIATED, AlertState.ACKNOWLEDGED)]))
                for alert in [alert_of(row) for row in connection.execute(shown)]:
                    self._move(connection, alert, Move.SUPPRESS, now, SERVICE, f"suppressed by design: {reason}")

    def end_unwatched(self, watched: Collection[str], *, now: float) -> None:
        """Return the alerts whose episode nobody follows any more: their loop has left the site, or its state was lost."""
        with self._state.transaction() as connection:
            for alert in [alert_of(row) for row in connection.execute(sa.select(ALERTS).where(ALERTS.c.active.is_(True)))]:
                if alert.id not in watched:
                    gone = replace(alert, active=False, returned=now)
                    self._move(connection, gone, Move.GOES, now, SERVICE, "its condition is no longer watched")

    def tick(self, now: float) -> None:
        """End shelving whose time is over, and tell once more what is urgent and stays unacknowledged."""
        over = sa.select(ALERTS).where(ALERTS.c.state == AlertState.SHELVED.value, ALERTS.c.shelved_until <= now)
        unheard = sa.select(ALERTS).where(
            ALERTS.c.state == AlertState.UNACKNOWLEDGED.value, ALERTS.c.priority == Priority.HIGH.value,
            ALERTS.c.raised <= now - REMIND_AFTER_S, ALERTS.c.reminded.is_(None),
        )  # fmt: skip
        with self._state.transaction() as connection:
            for alert in [alert_of(row) for row in connection.execute(over)]:
                ended = replace(alert, shelved_until=None, shelved_by="", shelve_reason="")
                self._move(connection, ended, Move.UNSHELVE, now, SERVICE, "the time of shelving is over")
            for alert in [alert_of(row) for row in connection.execute(unheard)]:
                connection.execute(ALERTS.update().where(ALERTS.c.id == alert.id).values(reminded=now))
                number = self._note(connection, alert, alert.state, now, SERVICE, "nobody has acknowledged it yet", True)
                self._post(connection, alert, "reminder", number, now)

    def standing(self) -> list[Alert]:
        """Alerts that are not normal, most urgent first."""
        with self._state.transaction() as connection:
            rows = connection.execute(sa.select(ALERTS).where(ALERTS.c.state != AlertState.NORMAL.value))
            alerts = [alert_of(row) for row in rows]
        return sorted(alerts, key=lambda alert: (alert.state not in ANNUNCIATED, URGENCY[alert.priority], -alert.raised))

    def past(self, begin: float, end: float, limit: int = 500) -> list[Alert]:
        """Alerts raised in a time, newest first."""
        wanted = sa.select(ALERTS).where(ALERTS.c.raised >= begin, ALERTS.c.raised < end).order_by(ALERTS.c.raised.desc())
        with self._state.transaction() as connection:
            return [alert_of(row) for row in connection.execute(wanted.limit(limit))]

    def find(self, alert: str) -> Alert | None:
        """One alert by id."""
        with self._state.transaction() as connection:
            return self._find(connection, alert)

    def transitions(self, alert: str) -> list[Transition]:
        """Everything that happened to an alert, oldest first."""
        wanted = sa.select(TRANSITIONS).where(TRANSITIONS.c.alert == alert).order_by(TRANSITIONS.c.id)
        with self._state.transaction() as connection:
            return [
                Transition(
                    time=row.time, alert=row.alert, old=AlertState(row.old), new=AlertState(row.new), by=row.by,
                    note=row.note, message=row.message,
                )
                for row in connection.execute(wanted)
            ]  # fmt: skip

    def acknowledge(self, alert: str, *, by: str, now: float) -> Alert:
        """Acknowledge by a typed name; a no-op where the alert is acknowledged or normal."""
        with self._state.transaction() as connection:
            found = self._known(connection, alert)
            if found.state not in ANNUNCIATED:
                return found
            return self._move(
                connection, replace(found, acknowledged=now, acknowledged_by=by), Move.ACKNOWLEDGE, now, by, "acknowledged"
            )

    def shelve(self, alert: str, *, by: str, reason: str, until: float, now: float) -> Alert:
        """Shelve until a time at most 30 days ahead, with a reason."""
        if not reason.strip():
            raise TallywireError("shelving needs a reason", fix="say why the alert may be silent")
        if not now < until <= now + LONGEST_SHELVE_S:
            raise TallywireError("shelving must end within 30 days", fix="name a time from now on, at most 30 days ahead")
        with self._state.transaction() as connection:
            found = self._known(connection, alert)
            if found.state in (AlertState.SUPPRESSED, AlertState.OUT_OF_SERVICE):
                raise TallywireError(f"an alert that is {found.state.value} cannot be shelved", where=alert)
            shelved = replace(found, shelved_until=until, shelved_by=by, shelve_reason=reason)
            return self._move(connection, shelved, Move.SHELVE, now, by, f"shelved: {reason}")

    def unshelve(self, alert: str, *, by: str, now: float) -> Alert:
        """End shelving; the state follows the condition at this moment."""
        with self._state.transaction() as connection:
            found = self._known(connection, alert)
            if found.state is not AlertState.SHELVED:
                raise TallywireError("the alert is not shelved", where=alert)
            ended = replace(found, shelved_until=None, shelved_by="", shelve_reason="")
            return self._move(connection, ended, Move.UNSHELVE, now, by, "shelving ended")

    def _change(self, connection: sa.Connection, change: EpisodeChange, now: float) -> None:
        finding, known = change.episode.finding, self._find(connection, change.episode.id)
        priority, why = priority_of(finding)
        if known is None:
            if change.kind == "returned":
                return
            alert = Alert(
                id=change.episode.id, loop=finding.loop, link=finding.link.value, state=AlertState.NORMAL, active=True,
                priority=priority, finding=finding, raised=now,
            )  # fmt: skip
            connection.execute(ALERTS.insert().values(**row_of(alert), refinements_told=0))
            self._move(
                connection, alert, Move.COMES, now, SERVICE, f"{finding.title}; {priority.value} priority: {why}", "raised"
            )
        elif change.kind == "returned":
            gone = replace(known, active=False, finding=finding, returned=now)
            self._move(connection, gone, Move.GOES, now, SERVICE, "the condition has returned to normal", "returned")
        elif change.kind == "raised":
            back = replace(known, active=True, finding=finding, returned=None, priority=priority)
            self._move(connection, back, Move.COMES, now, SERVICE, f"{finding.title} again", "raised")
        else:
            self._refine(connection, replace(known, finding=finding, priority=priority), known, now)

    def _refine(self, connection: sa.Connection, alert: Alert, before: Alert, now: float) -> None:
        connection.execute(ALERTS.update().where(ALERTS.c.id == alert.id).values(**row_of(alert)))
        if alert.finding.cause == before.finding.cause:
            return
        told = connection.execute(sa.select(ALERTS.c.refinements_told).where(ALERTS.c.id == alert.id)).scalar_one()
        silent = alert.state in (AlertState.SHELVED, AlertState.SUPPRESSED, AlertState.OUT_OF_SERVICE)
        message = told < REFINEMENTS_TOLD and not silent
        note = f"the cause is now {alert.finding.cause} (was {before.finding.cause})"
        number = self._note(connection, alert, alert.state, now, SERVICE, note, message)
        if message:
            connection.execute(ALERTS.update().where(ALERTS.c.id == alert.id).values(refinements_told=told + 1))
            self._post(connection, alert, "refined", number, now)

    def _move(
        self, connection: sa.Connection, alert: Alert, move: Move, now: float, by: str, note: str, message: str = ""
    ) -> Alert:
        state = after(alert.state, move, active=alert.active)
        told = bool(message) and (state in ANNUNCIATED or alert.state in ANNUNCIATED)
        moved = replace(alert, state=state)
        if state is AlertState.UNACKNOWLEDGED and alert.state is not state:
            moved = replace(moved, acknowledged=None, acknowledged_by="")
        connection.execute(ALERTS.update().where(ALERTS.c.id == alert.id).values(**row_of(moved)))
        number = self._note(connection, moved, alert.state, now, by, note, told)
        if told:
            self._post(connection, moved, message, number, now)
        return moved

    def _note(
        self, connection: sa.Connection, alert: Alert, old: AlertState, now: float, by: str, note: str, message: bool
    ) -> int:
        done = connection.execute(
            TRANSITIONS.insert().values(
                time=now, alert=alert.id, old=old.value, new=alert.state.value, by=by, note=note, message=message
            )
        )
        assert done.inserted_primary_key is not None
        return int(done.inserted_primary_key[0])

    def _post(self, connection: sa.Connection, alert: Alert, kind: str, number: int, now: float) -> None:
        """Put a message for each target into the outbox; the key makes a repeated delivery recognisable."""
        body = json.dumps({"kind": kind, "time": datetime.fromtimestamp(now, UTC).isoformat(), "alert": row_of(alert)})
        for target in self._targets:
            connection.execute(
                OUTBOX.insert().values(
                    key=f"{alert.id}/{number}/{target}", target=target, alert=alert.id, message=body, created=now,
                    attempts=0, next_try=now, delivered=None, dead=False, error="",
                )
            )  # fmt: skip

    def _known(self, connection: sa.Connection, alert: str) -> Alert:
        found = self._find(connection, alert)
        if found is None:
            raise TallywireError("there is no such alert", where=alert)
        return found

    @staticmethod
    def _find(connection: sa.Connection, alert: str) -> Alert | None:
        row = connection.execute(sa.select(ALERTS).where(ALERTS.c.id == alert)).one_or_none()
        return None if row is None else alert_of(row)
