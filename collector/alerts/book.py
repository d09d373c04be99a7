"""The alert book: every change of an alert, its history and its messages in one transaction."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any

from checks.episodes import SUPPRESSES_ALL, Episode, EpisodeChange
from checks.finding import UNKNOWN, Finding
from collector.alerts.folding import SAME_LOSS_S, parent_of
from collector.alerts.holds import HoldKind, outgrown
from collector.alerts.lifecycle import ANNUNCIATED, Move
from collector.alerts.model import Alert, AlertState, Priority, Transition
from collector.alerts.moving import SERVICE
from collector.alerts.orders import LONGEST_SHELVE_S
from collector.alerts.performance import Performance, performance_of
from collector.alerts.priority import priority_of
from collector.alerts.telling import Telling
from collector.history.alert_rows import AlertRows

__all__ = ["LONGEST_SHELVE_S", "SERVICE", "AlertBook"]

REFINEMENTS_TOLD = 1
"""Messages about a refined cause of one alert; more are history only."""
URGENCY = {Priority.HIGH: 0, Priority.MEDIUM: 1, Priority.LOW: 2}
RISEN = "(risen)"
"""Stands among those an alert was handed up to when its priority has risen: that is told once."""
SILENT = (AlertState.SHELVED, AlertState.SUPPRESSED, AlertState.OUT_OF_SERVICE)
RESTING = tuple(state for state in AlertState if state is not AlertState.NORMAL)


class AlertBook(Telling):
    """See `collector.alerts.desk.AlertDesk`. Messages go to the outbox for the deliveries that the policy names."""

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
                    if not alert.parent:
                        self._move(rows, alert, Move.UNSUPPRESS, now, SERVICE, "the reason for suppression has ended")
            elif reason in SUPPRESSES_ALL:
                for alert in rows.in_states((*ANNUNCIATED, AlertState.ACKNOWLEDGED), loop):
                    self._move(rows, alert, Move.SUPPRESS, now, SERVICE, f"suppressed by design: {reason}")

    def end_unwatched(self, watched: Collection[str], *, now: float, loops: Collection[str] | None = None) -> None:
        """Return the alerts whose episode nobody follows any more: their loop has left the site, or its state was lost.

        `loops` are those that are looked at, None for all.
        """
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            for alert in rows.active():
                if alert.episode not in watched and (loops is None or alert.loop in loops):
                    gone = replace(alert, active=False, returned=now)
                    self._move(rows, gone, Move.GOES, now, SERVICE, "its condition is no longer watched")

    def standing(self) -> list[Alert]:
        """Alerts that are not normal, most urgent first."""
        with self._state.transaction() as connection:
            alerts = AlertRows(connection).in_states(RESTING)
        return sorted(alerts, key=lambda alert: (alert.state not in ANNUNCIATED, URGENCY[alert.priority], -alert.raised))

    def waiting(self) -> int:
        """How many alerts wait for an acknowledgement."""
        with self._state.transaction() as connection:
            return AlertRows(connection).counted(ANNUNCIATED)

    def past(self, begin: float, end: float, limit: int = 500) -> list[Alert]:
        """Every time that an alert stood and was raised in a time, newest first; one that came back is there each time."""
        with self._state.transaction() as connection:
            return AlertRows(connection).raised(begin, end, limit)

    def over(self, begin: float, end: float, limit: int = 500) -> list[Alert]:
        """Alerts raised last in a time, one each, newest first."""
        with self._state.transaction() as connection:
            return AlertRows(connection).over(begin, end, limit)

    def find(self, alert: str) -> Alert | None:
        """One alert by id."""
        with self._state.transaction() as connection:
            return AlertRows(connection).find(alert)

    def transitions(self, alert: str) -> list[Transition]:
        """Everything that happened to an alert, oldest first."""
        with self._state.transaction() as connection:
            return AlertRows(connection).transitions(alert)

    def performance(self, begin: float, end: float) -> Performance:
        """The figures of the alarm system in [begin, end) [epoch s]."""
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            came, first = rows.annunciations(begin, end), rows.first_transition()
            standing, spells = rows.in_states(RESTING), rows.spans(begin - 90 * 86400.0, end)
        return performance_of(came, standing, spells, first, begin, end, operators=self.policy.operators)

    def _change(self, rows: AlertRows, change: EpisodeChange, now: float) -> None:
        episode, known = change.episode, rows.of_episode(change.episode.id)
        finding = episode.finding
        priority = priority_of(finding, self.policy.tolerable_t)[0]
        if known is None:
            if change.kind == "returned":
                return
            self._raised(rows, episode, priority, now)
        elif change.kind == "returned":
            self._returned(rows, replace(known, active=False, finding=finding, returned=now), now)
        elif change.kind == "raised":
            self._again(rows, known, episode, priority, now)
        else:
            self._refine(rows, replace(known, finding=finding, priority=priority), known, now)

    def _raised(self, rows: AlertRows, episode: Episode, priority: Priority, now: float) -> None:
        finding = episode.finding
        earlier = self._earlier(rows, finding, now)
        if earlier is not None:
            self._again(rows, earlier, episode, priority, now)
            return
        why = priority_of(finding, self.policy.tolerable_t)[1]
        alert = Alert(
            id=episode.id, loop=finding.loop, link=finding.link.value, state=AlertState.NORMAL, active=True,
            priority=priority, finding=finding, raised=now, episode=episode.id,
        )  # fmt: skip
        rows.add(alert)
        self._come(rows, alert, now, f"{finding.title}; {priority.value} priority: {why}", "raised")

    def _earlier(self, rows: AlertRows, finding: Finding, now: float) -> Alert | None:
        """The alert that a new episode opens again: of the same link and cause, and gone not long ago or never closed."""
        last = rows.last_at(finding.loop, finding.link.value) if self.live else None
        if last is None or last.active or not _same(last.finding, finding):
            return None
        soon = last.returned is not None and now - last.returned <= self.policy.reopen_s
        return last if soon or last.state is not AlertState.NORMAL else None

    def _again(self, rows: AlertRows, before: Alert, episode: Episode, priority: Priority, now: float) -> None:
        if self.live and before.active is False:
            rows.holds.keep_spell(before)
        back = replace(
            before, active=True, finding=episode.finding, priority=priority, raised=now, first_raised=before.begun,
            returned=None, return_due=None, episode=episode.id, reopened=before.reopened + 1,
        )  # fmt: skip
        rows.change(back)
        if self._outgrown(rows, back, now):
            return
        note = f"{episode.finding.title} again ({_ordinal(back.reopened)} time it came back)"
        self._come(rows, back, now, note, "again" if back.reopened == 1 else "")

    def _come(self, rows: AlertRows, alert: Alert, now: float, note: str, message: str) -> None:
        """Let the condition of an alert come: to be told, or silent where people or another alert hold it."""
        if not self.live or alert.state in SILENT:
            self._move(rows, alert, Move.COMES, now, SERVICE, note, message)
            return
        holds = {hold.kind: hold for hold in reversed(rows.holds.at(alert.loop, alert.link))}
        out, accepted = holds.get(HoldKind.OUT_OF_SERVICE), holds.get(HoldKind.ACCEPTED)
        parent = parent_of(alert, rows.beside(alert, now - SAME_LOSS_S), self.policy.endpoints, now)
        if out is not None:
            self._removed(rows, alert, now, SERVICE, f"{out.reason} (ordered by {out.by}); {note}")
        elif accepted is not None and not outgrown(accepted, alert.finding):
            shelved = replace(alert, shelved_until=accepted.until, shelved_by=accepted.owner, shelve_reason=accepted.reason)
            self._move(rows, shelved, Move.SHELVE, now, SERVICE, f"accepted by {accepted.owner}; {note}")
        elif parent is not None:
            child = replace(alert, parent=parent.id)
            self._move(rows, child, Move.SUPPRESS, now, SERVICE, f"a consequence of {parent.id}; {note}")
        else:
            self._move(rows, alert, Move.COMES, now, SERVICE, note, message)

    def _returned(self, rows: AlertRows, gone: Alert, now: float) -> None:
        if gone.state is AlertState.SUPPRESSED and gone.parent:
            rows.change(gone)
            self._move(rows, replace(gone, parent=""), Move.UNSUPPRESS, now, SERVICE, "the condition has returned to normal")
            return
        if gone.reopened and self.live and gone.state not in SILENT:
            gone = replace(gone, return_due=now + self.policy.reopen_s)
            self._move(rows, gone, Move.GOES, now, SERVICE, "the condition has returned to normal")
            return
        self._move(rows, gone, Move.GOES, now, SERVICE, "the condition has returned to normal", "returned")

    def _refine(self, rows: AlertRows, alert: Alert, before: Alert, now: float) -> None:
        rows.change(alert)
        if self._outgrown(rows, alert, now):
            return
        self._risen(rows, alert, before, now)
        if alert.finding.cause == before.finding.cause:
            return
        told = rows.refinements_told(alert.id) < REFINEMENTS_TOLD and alert.state not in SILENT
        told = told and not self._in_flood(rows, alert)
        note = f"the cause is now {alert.finding.cause} (was {before.finding.cause})"
        self._tell(rows, alert, alert.state, now, SERVICE, note, "refined" if told else "")
        if told:
            rows.refinement_told(alert.id)

    def _risen(self, rows: AlertRows, alert: Alert, before: Alert, now: float) -> None:
        """Tell those of an alert for whom it has become important only now."""
        if not self.live or URGENCY[alert.priority] >= URGENCY[before.priority] or alert.state not in ANNUNCIATED:
            return
        if RISEN in alert.escalated:
            return  # it goes up and down about the limit
        rows.change(replace(alert, escalated=(*alert.escalated, RISEN)))
        rows.reminded(alert.id, None)
        told = set(self.policy.receivers(before, now))
        new = [name for name in self.policy.receivers(alert, now) if name not in told]
        note = f"its priority is now {alert.priority.value} (was {before.priority.value})"
        number = rows.note(
            Transition(time=now, alert=alert.id, old=alert.state, new=alert.state, by=SERVICE, note=note, message=bool(new))
        )
        if not self._in_flood(rows, alert):
            self._post(rows, alert, number, new, "risen", now, note)

    def _outgrown(self, rows: AlertRows, alert: Alert, now: float) -> bool:
        """End the acceptance of a finding that is no longer what was accepted; whether it was so."""
        if not self.live or alert.state is not AlertState.SHELVED:
            return False
        hold = rows.holds.over(HoldKind.ACCEPTED, alert.loop, alert.link)
        why = "" if hold is None else outgrown(hold, alert.finding)
        if hold is None or not why:
            return False
        self._end_hold(rows, hold, now, SERVICE, why, "grown")
        return True


def _same(before: Finding, after: Finding) -> bool:
    """Whether two findings of a link may be the same fault: of one cause, or one of them not named yet."""
    return before.cause == after.cause or UNKNOWN in (before.cause, after.cause)


def _ordinal(number: int) -> str:
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"
