"""The alert book: every change of an alert, its history and its messages in one transaction."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from checks.episodes import SUPPRESSES_ALL, EpisodeChange
from collector.alerts.lifecycle import ANNUNCIATED, Move, after
from collector.alerts.model import Alert, AlertState, Priority, Transition
from collector.alerts.priority import priority_of
from collector.alerts.stored import row_of
from collector.history.alert_rows import AlertRows
from collector.history.state import StateDb
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
            rows = AlertRows(connection)
            for change in changes:
                self._change(rows, change, now)
            for loop, state in (trackers or {}).items():
                rows.keep_tracker(loop, state)

    def trackers(self) -> dict[str, dict[str, Any]]:
        """The states of the episode trackers as they were last kept, by loop."""
        with self._state.transaction() as connection:
            return AlertRows(connection).trackers()

    def note_suppression(self, loop: str, reason: str, *, now: float) -> None:
        """Take the reason for which the process holds the alerts of a loop back, '' where there is none.

        People at work on a loop (maintenance, calibrating) suppress what stands there; it comes back by its condition when no
        reason is left. A belt that stops only holds back what is not raised yet, which is the work of the episodes: else every
        stop would ask anew for what has been acknowledged.
        """
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            if not reason:
                for alert in rows.in_states((AlertState.SUPPRESSED,), loop):
                    self._move(rows, alert, Move.UNSUPPRESS, now, SERVICE, "the reason for suppression has ended")
            elif reason in SUPPRESSES_ALL:
                for alert in rows.in_states((*ANNUNCIATED, AlertState.ACKNOWLEDGED), loop):
                    self._move(rows, alert, Move.SUPPRESS, now, SERVICE, f"suppressed by design: {reason}")

    def end_unwatched(self, watched: Collection[str], *, now: float) -> None:
        """Return the alerts whose episode nobody follows any more: their loop has left the site, or its state was lost."""
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            for alert in rows.active():
                if alert.id not in watched:
                    gone = replace(alert, active=False, returned=now)
                    self._move(rows, gone, Move.GOES, now, SERVICE, "its condition is no longer watched")

    def tick(self, now: float) -> None:
        """End shelving whose time is over, and tell once more what is urgent and stays unacknowledged."""
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            for alert in rows.shelving_over(now):
                ended = replace(alert, shelved_until=None, shelved_by="", shelve_reason="")
                self._move(rows, ended, Move.UNSHELVE, now, SERVICE, "the time of shelving is over")
            for alert in rows.unheard(now - REMIND_AFTER_S):
                rows.reminded(alert.id, now)
                self._tell(rows, alert, alert.state, now, SERVICE, "nobody has acknowledged it yet", "reminder")

    def standing(self) -> list[Alert]:
        """Alerts that are not normal, most urgent first."""
        with self._state.transaction() as connection:
            alerts = AlertRows(connection).in_states([state for state in AlertState if state is not AlertState.NORMAL])
        return sorted(alerts, key=lambda alert: (alert.state not in ANNUNCIATED, URGENCY[alert.priority], -alert.raised))

    def past(self, begin: float, end: float, limit: int = 500) -> list[Alert]:
        """Alerts raised in a time, newest first."""
        with self._state.transaction() as connection:
            return AlertRows(connection).raised(begin, end, limit)

    def find(self, alert: str) -> Alert | None:
        """One alert by id."""
        with self._state.transaction() as connection:
            return AlertRows(connection).find(alert)

    def transitions(self, alert: str) -> list[Transition]:
        """Everything that happened to an alert, oldest first."""
        with self._state.transaction() as connection:
            return AlertRows(connection).transitions(alert)

    def acknowledge(self, alert: str, *, by: str, now: float) -> Alert:
        """Acknowledge by a typed name; a no-op where the alert is acknowledged or normal."""
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            found = _known(rows, alert)
            if found.state not in ANNUNCIATED:
                return found
            return self._move(
                rows, replace(found, acknowledged=now, acknowledged_by=by), Move.ACKNOWLEDGE, now, by, "acknowledged"
            )

    def shelve(self, alert: str, *, by: str, reason: str, until: float, now: float) -> Alert:
        """Shelve until a time at most 30 days ahead, with a reason."""
        if not reason.strip():
            raise TallywireError("shelving needs a reason", fix="say why the alert may be silent")
        if not now < until <= now + LONGEST_SHELVE_S:
            raise TallywireError("shelving must end within 30 days", fix="name a time from now on, at most 30 days ahead")
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            found = _known(rows, alert)
            if found.state in (AlertState.SUPPRESSED, AlertState.OUT_OF_SERVICE):
                raise TallywireError(f"an alert that is {found.state.value} cannot be shelved", where=alert)
            shelved = replace(found, shelved_until=until, shelved_by=by, shelve_reason=reason)
            return self._move(rows, shelved, Move.SHELVE, now, by, f"shelved: {reason}")

    def unshelve(self, alert: str, *, by: str, now: float) -> Alert:
        """End shelving; the state follows the condition at this moment."""
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            found = _known(rows, alert)
            if found.state is not AlertState.SHELVED:
                raise TallywireError("the alert is not shelved", where=alert)
            ended = replace(found, shelved_until=None, shelved_by="", shelve_reason="")
            return self._move(rows, ended, Move.UNSHELVE, now, by, "shelving ended")

    def _change(self, rows: AlertRows, change: EpisodeChange, now: float) -> None:
        finding, known = change.episode.finding, rows.find(change.episode.id)
        priority, why = priority_of(finding)
        if known is None:
            if change.kind == "returned":
                return
            alert = Alert(
                id=change.episode.id, loop=finding.loop, link=finding.link.value, state=AlertState.NORMAL, active=True,
                priority=priority, finding=finding, raised=now,
            )  # fmt: skip
            rows.add(alert)
            note = f"{finding.title}; {priority.value} priority: {why}"
            self._move(rows, alert, Move.COMES, now, SERVICE, note, "raised")
        elif change.kind == "returned":
            gone = replace(known, active=False, finding=finding, returned=now)
            self._move(rows, gone, Move.GOES, now, SERVICE, "the condition has returned to normal", "returned")
        elif change.kind == "raised":
            back = replace(known, active=True, finding=finding, returned=None, priority=priority)
            self._move(rows, back, Move.COMES, now, SERVICE, f"{finding.title} again", "raised")
        else:
            self._refine(rows, replace(known, finding=finding, priority=priority), known, now)

    def _refine(self, rows: AlertRows, alert: Alert, before: Alert, now: float) -> None:
        rows.change(alert)
        if alert.finding.cause == before.finding.cause:
            return
        silent = alert.state in (AlertState.SHELVED, AlertState.SUPPRESSED, AlertState.OUT_OF_SERVICE)
        told = rows.refinements_told(alert.id) < REFINEMENTS_TOLD and not silent
        note = f"the cause is now {alert.finding.cause} (was {before.finding.cause})"
        self._tell(rows, alert, alert.state, now, SERVICE, note, "refined" if told else "")
        if told:
            rows.refinement_told(alert.id)

    def _move(self, rows: AlertRows, alert: Alert, move: Move, now: float, by: str, note: str, message: str = "") -> Alert:
        state = after(alert.state, move, active=alert.active)
        told = state in ANNUNCIATED or alert.state in (*ANNUNCIATED, AlertState.ACKNOWLEDGED)
        moved = replace(alert, state=state)
        if state is AlertState.UNACKNOWLEDGED and alert.state is not state:
            moved = replace(moved, acknowledged=None, acknowledged_by="")
        rows.change(moved)
        self._tell(rows, moved, alert.state, now, by, note, message if told else "")
        return moved

    def _tell(self, rows: AlertRows, alert: Alert, old: AlertState, now: float, by: str, note: str, message: str) -> None:
        """Write the history of an alert and, where there is a kind of message, one for each target into the outbox.

        The number of the entry is part of the key, which makes a repeated delivery recognisable.
        """
        number = rows.note(
            Transition(time=now, alert=alert.id, old=old, new=alert.state, by=by, note=note, message=bool(message))
        )
        if not message:
            return
        body = json.dumps({"kind": message, "time": datetime.fromtimestamp(now, UTC).isoformat(), "alert": row_of(alert)})
        for target in self._targets:
            rows.post(key=f"{alert.id}/{number}/{target}", target=target, alert=alert.id, message=body, now=now)


def _known(rows: AlertRows, alert: str) -> Alert:
    found = rows.find(alert)
    if found is None:
        raise TallywireError("there is no such alert", where=alert)
    return found
