"""What pages and REST ask of the alerts."""

from __future__ import annotations

from typing import Protocol

from collector.alerts.holds import Hold
from collector.alerts.model import Alert, Transition
from collector.alerts.performance import Performance


class AlertDesk(Protocol):
    """The alerts of the site, as people handle them. Actions raise TallywireError where the state does not allow them."""

    def standing(self) -> list[Alert]:
        """Alerts that are not in the state normal, most urgent first."""
        ...

    def waiting(self) -> int:
        """How many alerts wait for an acknowledgement."""
        ...

    def past(self, begin: float, end: float, limit: int = 500) -> list[Alert]:
        """Every time that an alert stood and was raised in a time [epoch s], newest first; one that came back is there each time."""
        ...

    def over(self, begin: float, end: float, limit: int = 500) -> list[Alert]:
        """Alerts raised last in a time [epoch s], one each, newest first."""
        ...

    def find(self, alert: str) -> Alert | None:
        """One alert by id."""
        ...

    def transitions(self, alert: str) -> list[Transition]:
        """Everything that happened to an alert, oldest first."""
        ...

    def acknowledge(self, alert: str, *, by: str, now: float) -> Alert:
        """Acknowledge by a typed name; a no-op where the alert is acknowledged or normal."""
        ...

    def shelve(self, alert: str, *, by: str, reason: str, until: float, now: float) -> Alert:
        """Shelve until a time at most 30 days ahead, with a reason."""
        ...

    def unshelve(self, alert: str, *, by: str, now: float) -> Alert:
        """End shelving or an acceptance; the state follows the condition at this moment."""
        ...

    def remove(self, alert: str, *, by: str, reason: str, until: float, now: float) -> Alert:
        """Take the alerts of a link out of service until a time at most 90 days ahead: this one and those to come."""
        ...

    def restore(self, alert: str, *, by: str, now: float) -> Alert:
        """Put the alerts of a link back in service; their states follow their conditions at this moment."""
        ...

    def accept(self, alert: str, *, by: str, owner: str, reason: str, until: float, grow: float | None, now: float) -> Alert:
        """Accept a finding until a time at most a year ahead, or until its number has grown by `grow` in its unit."""
        ...

    def holds(self) -> list[Hold]:
        """Every link out of service and every acceptance in force, oldest first."""
        ...

    def end_hold(self, hold: int, *, by: str, now: float) -> Hold:
        """End one of them by its number."""
        ...

    def performance(self, begin: float, end: float) -> Performance:
        """The figures of the alarm system in a time [epoch s]."""
        ...
