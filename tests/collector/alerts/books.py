"""A book over a fresh database, and what it has written."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from collector.alerts.book import AlertBook
from collector.alerts.model import AlertState
from collector.alerts.policy import Policy
from collector.history.state import StateDb
from collector.history.tables import OUTBOX
from config.deliveries import Tell


class Kept:
    """A book with its database."""

    def __init__(self, path: Path, policy: Policy | None = None, **tells: Tell) -> None:
        self.path = path
        self.policy = policy or Policy(tells=tells or {"chat": Tell()}, zone="America/Regina")
        self.state = StateDb(path)
        self.book = AlertBook(self.state, self.policy)

    def again(self) -> Kept:
        """The same folder after a restart."""
        self.state.close()
        return Kept(self.path, self.policy)

    def messages(self) -> list[dict[str, Any]]:
        """Every message with its target, in the order of the outbox."""
        with self.state.transaction() as connection:
            rows = connection.execute(sa.select(OUTBOX.c.target, OUTBOX.c.message).order_by(OUTBOX.c.id)).all()
        return [{"target": row.target, **json.loads(row.message)} for row in rows]

    def kinds(self, target: str = "chat") -> list[str]:
        """The kinds of the messages of one delivery."""
        return [message["kind"] for message in self.messages() if message["target"] == target]

    def state_of(self, alert: str) -> AlertState:
        """The state of an alert."""
        found = self.book.find(alert)
        assert found is not None
        return found.state
