"""Moves of an alert from state to state, each with its history and its messages, in the transaction of whoever orders them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

from collector.alerts.flood import BEGINS_ABOVE, Flood, flood_of
from collector.alerts.lifecycle import ANNUNCIATED, Move, after
from collector.alerts.model import Alert, AlertState, Priority, Transition
from collector.alerts.policy import Policy, plain
from collector.alerts.priority import SAFETY
from collector.alerts.stored import row_of
from collector.history.alert_rows import AlertRows
from collector.history.state import StateDb

SERVICE = "tallywire"
FLOOD_MARK = "flood"
MOST_LINES = 12
"""Lines of a message about many alerts."""


class Moves:
    """Moves alerts over the state database. Messages go to the outbox for each delivery that the policy names."""

    live = True
    """Whether what is written happens now: only then are alerts opened again, folded, held back and counted."""

    def __init__(self, state: StateDb, targets: Sequence[str] | Policy) -> None:
        self._state = state
        self.policy = targets if isinstance(targets, Policy) else plain(targets)

    def _move(self, rows: AlertRows, alert: Alert, move: Move, now: float, by: str, note: str, message: str = "") -> Alert:
        state = after(alert.state, move, active=alert.active)
        told = state in ANNUNCIATED or alert.state in (*ANNUNCIATED, AlertState.ACKNOWLEDGED)
        moved = replace(alert, state=state)
        if state is AlertState.UNACKNOWLEDGED and alert.state is not state:
            moved = replace(moved, acknowledged=None, acknowledged_by="")
        if state not in ANNUNCIATED:
            moved = replace(moved, waiting_since=None, escalated=())
        elif alert.state not in ANNUNCIATED or moved.waiting_since is None:
            moved = replace(moved, waiting_since=now, escalated=())
        rows.change(moved)
        if moved.waiting_since != alert.waiting_since:
            rows.reminded(moved.id, None)
        held = self._annunciated(rows, moved, message, now) if state is AlertState.UNACKNOWLEDGED is not alert.state else ""
        kept = "" if held or (move is Move.GOES and self._in_flood(rows, moved)) else message
        self._tell(rows, moved, alert.state, now, by, note + held, kept if told else "")
        return moved

    def _tell(self, rows: AlertRows, alert: Alert, old: AlertState, now: float, by: str, note: str, message: str) -> None:
        """Write the history of an alert and, where there is a kind of message, one for each receiver into the outbox.

        The number of the entry is part of the key, which makes a repeated delivery recognisable.
        """
        receivers = self.policy.receivers(alert, now) if message else []
        number = rows.note(
            Transition(time=now, alert=alert.id, old=old, new=alert.state, by=by, note=note, message=bool(message))
        )
        self._post(rows, alert, number, receivers, message, now, note)

    def _post(
        self, rows: AlertRows, alert: Alert, number: int, receivers: Sequence[str], kind: str, now: float, note: str
    ) -> None:
        """Put a message about an alert into the outbox for each receiver."""
        if not receivers:
            return
        body = json.dumps({"kind": kind, "time": _iso(now), "note": note, "alert": row_of(alert)})
        for target in receivers:
            rows.post(key=f"{alert.id}/{number}/{target}", target=target, alert=alert.id, message=body, now=now)

    def _post_about_many(
        self, rows: AlertRows, kind: str, stem: str, receivers: Sequence[str], title: str, lines: Sequence[str], now: float
    ) -> None:
        """Put a message that is about no single alert into the outbox, once for each stem and receiver."""
        shown = [*lines[:MOST_LINES], *([f"and {len(lines) - MOST_LINES} more"] if len(lines) > MOST_LINES else [])]
        body = json.dumps({"kind": kind, "time": _iso(now), "title": title, "lines": shown})
        for target in receivers:
            key = f"{kind}/{stem}/{target}"
            if not rows.posted(key):
                rows.post(key=key, target=target, alert="", message=body, now=now)

    def _annunciated(self, rows: AlertRows, alert: Alert, message: str, now: float) -> str:
        """Count an alert that begins to ask for attention; why it is not told by itself, '' where it is."""
        if not self.live:
            return ""
        holds = rows.holds
        flood = flood_of(holds.mark(FLOOD_MARK))
        began = flood.add(now, alert.finding.cause)
        held = "" if not message else self._held_back(flood, alert)
        holds.keep_mark(FLOOD_MARK, flood.plain())
        if began:
            title = f"More than {BEGINS_ABOVE} alerts in ten minutes: single ones are not told until it is over"
            lines = [
                "People near a source are told of by name as before.",
                "Open the page of the alerts: the most urgent first.",
            ]
            self._post_about_many(rows, "flood", f"{now:.0f}", self.policy.everybody(now), title, lines, now)
        return held

    def _held_back(self, flood: Flood, alert: Alert) -> str:
        cause = alert.finding.cause
        new = cause not in flood.told
        if flood.since is None or cause in SAFETY or (new and alert.priority is Priority.HIGH):
            flood.told += [cause] if new else []
            return ""
        return " (in a flood of alerts: not told by itself)"

    def _in_flood(self, rows: AlertRows, alert: Alert) -> bool:
        if not self.live or alert.finding.cause in SAFETY:
            return False
        return flood_of(rows.holds.mark(FLOOD_MARK)).since is not None


def _iso(now: float) -> str:
    return datetime.fromtimestamp(now, UTC).isoformat().replace("+00:00", "Z")
