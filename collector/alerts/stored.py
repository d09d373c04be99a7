"""Alerts and findings as they lie in the database."""

from __future__ import annotations

import json
from functools import lru_cache
from typing import Any

import sqlalchemy as sa

from checks.finding import Finding
from checks.plain import finding_dict, finding_from
from collector.alerts.model import Alert, AlertState, Priority

REMEMBERED = 8192
"""Findings that are not read from their text again: a flood of alerts is shown many times."""


def finding_text(finding: Finding) -> str:
    """A finding as JSON."""
    return json.dumps(finding_dict(finding), allow_nan=False)


@lru_cache(maxsize=REMEMBERED)
def finding_of(text: str) -> Finding:
    """A finding from its JSON."""
    return finding_from(json.loads(text))


def row_of(alert: Alert) -> dict[str, Any]:
    """An alert as a row."""
    return {
        "id": alert.id, "loop": alert.loop, "link": alert.link, "state": alert.state.value, "active": alert.active,
        "priority": alert.priority.value, "finding": finding_text(alert.finding), "raised": alert.raised,
        "returned": alert.returned, "acknowledged": alert.acknowledged, "acknowledged_by": alert.acknowledged_by,
        "shelved_until": alert.shelved_until, "shelved_by": alert.shelved_by, "shelve_reason": alert.shelve_reason,
        "episode": alert.episode or alert.id, "parent": alert.parent, "reopened": alert.reopened,
        "first_raised": alert.first_raised, "waiting_since": alert.waiting_since, "escalated": json.dumps(alert.escalated),
        "return_due": alert.return_due,
    }  # fmt: skip


def alert_of(row: sa.Row[Any]) -> Alert:
    """An alert from its row."""
    return Alert(
        id=row.id, loop=row.loop, link=row.link, state=AlertState(row.state), active=row.active,
        priority=Priority(row.priority), finding=finding_of(row.finding), raised=row.raised, returned=row.returned,
        acknowledged=row.acknowledged, acknowledged_by=row.acknowledged_by, shelved_until=row.shelved_until,
        shelved_by=row.shelved_by, shelve_reason=row.shelve_reason, episode=row.episode or row.id, parent=row.parent,
        reopened=row.reopened, first_raised=row.first_raised, waiting_since=row.waiting_since,
        escalated=tuple(json.loads(row.escalated)) if row.escalated else (), return_due=row.return_due,
    )  # fmt: skip
