"""What pages and REST ask of the alerts."""

from __future__ import annotations

from typing import Protocol

from collector.alerts.model import Alert, Transition


class AlertDesk(Protocol):
    """The alerts of the site, as people handle them. Actions raise TallywireError where the state does not allow them."""

    def standing(self) -> list[Alert]:
        """Alerts that are not in the state normal, most urgent first."""
        ...

    def past(self, begin: float, end: float, limit: int = 500) -> list[Alert]:
        """Alerts raised in a time [epoch s], newest first."""
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
        """End shelving; the state follows the condition at this moment."""
        ...
