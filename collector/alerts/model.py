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
    """A fault at one link of a loop: an episode from onset to return, and those that follow soon behind it.

    `finding` is the latest; `cause` in it may be refined, the alert stays the same. `active` is the process condition
    behind delays and deadband. Times are epoch seconds UTC, None where it has not happened. `raised` is of the episode that stands
    or stood last, `first_raised` of the first, `reopened` how often it came back. `parent` is the alert that this one is a
    consequence of. `waiting_since` is since when somebody's acknowledgement is waited for, `escalated` who was told of that,
    `return_due` when a return is told that may not last.
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
    episode: str = ""
    parent: str = ""
    reopened: int = 0
    first_raised: float | None = None
    waiting_since: float | None = None
    escalated: tuple[str, ...] = ()
    return_due: float | None = None

    @property
    def begun(self) -> float:
        """When it was first raised."""
        return self.raised if self.first_raised is None else self.first_raised


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Annunciation:
    """One time that an alert began to ask for attention [epoch s]."""

    time: float
    alert: str
    loop: str
    link: str
    priority: Priority
