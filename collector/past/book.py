"""The alert book of a time that is over: every change at its own time, acknowledged as somebody did then, and no message."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import sqlalchemy as sa

from checks.episodes import EpisodeChange
from collector.alerts.book import SERVICE, AlertBook
from collector.alerts.lifecycle import ANNUNCIATED, Move
from collector.alerts.model import Alert, AlertState
from collector.history.alert_rows import AlertRows
from collector.history.state import StateDb


class PastBook(AlertBook):
    """Writes alerts of the past; none of them is told to anybody or stays standing."""

    live = False

    def __init__(self, state: StateDb) -> None:
        super().__init__(state, ())

    def lay(
        self, connection: sa.Connection, changes: Sequence[EpisodeChange], *, end: float, told_by: str, told_after: float
    ) -> int:
        """Write the changes of one loop up to `end` in the transaction of `connection`; returns the alerts that are new.

        Each alert is acknowledged by `told_by` so many seconds after it was raised. One that stands at `end` returns there, as it
        was watched no longer. Where one of them is known already, all were written before, and nothing is done.
        """
        rows = AlertRows(connection)
        if any(rows.find(change.episode.id) is not None for change in changes):
            return 0
        raised = [change for change in changes if change.kind == "raised"]
        steps: list[tuple[float, EpisodeChange | None, str]] = [
            *((float(change.time_s), change, change.episode.id) for change in changes),
            *((change.time_s + told_after, None, change.episode.id) for change in raised),
        ]
        for time, change, alert in sorted(steps, key=lambda step: step[0]):
            if change is not None:
                self._change(rows, change, time)
            else:
                self._acknowledge(rows, alert, min(time, end), told_by)
        for alert in dict.fromkeys(change.episode.id for change in raised):
            found = rows.find(alert)
            assert found is not None
            if found.active:
                gone = replace(found, active=False, returned=end)
                self._move(rows, gone, Move.GOES, end, SERVICE, "its condition is no longer watched")
                self._acknowledge(rows, alert, end, told_by)
        return len(raised)

    def _acknowledge(self, rows: AlertRows, alert: str, time: float, by: str) -> None:
        found = rows.find(alert)
        if found is not None and found.state in ANNUNCIATED:
            known = replace(found, acknowledged=time, acknowledged_by=by)
            self._move(rows, known, Move.ACKNOWLEDGE, time, by, "acknowledged")

    def _tell(self, rows: AlertRows, alert: Alert, old: AlertState, now: float, by: str, note: str, message: str) -> None:
        super()._tell(rows, alert, old, now, by, note, "")
