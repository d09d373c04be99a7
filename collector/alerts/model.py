"""The alert and its states in the words of IEC 62682."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from checks.finding import Finding


class AlertState(StrEnum):
    """States of an alarm, IEC 62682 (second-hand, see tests/reference/test_alarm_states.py)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed-by-design"
    OUT_OF_SERVICE = "out-of-service"


class Priority(StrEnum):
    """Priority from consequence and time to respond."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One episode of a loop: from onset to return, keyed by loop and the first deviating link.

    `finding` is the latest; `cause` in it may be refined, the alert stays the same. `active` is the process condition
    behind delays and deadband. Times are epoch seconds UTC, None where it has not happened.
    """

    id: str
    loop: str
    link: str
    state: AlertState
    active: bool
    priority: Priority
    finding: Finding
    raised: float
    returned: float | None = None
    acknowledged: float | None = None
    acknowledged_by: str = ""
    shelved_until: float | None = None
    shelved_by: str = ""
    shelve_reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """One change of an alert, as the history of the alert keeps it; `by` is a typed name or "tallywire"."""

    time: float
    alert: str
    old: AlertState
    new: AlertState
    by: str
    note: str = ""
    message: bool = False
    """Whether this change is told to people."""
