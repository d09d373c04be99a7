"""Which standing alert a new one is a consequence of. Pure: the alerts that stand are given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from checks.diagnose import explained_by
from checks.finding import UNKNOWN
from checks.result import Link
from collector.alerts.model import Alert, AlertState

TOGETHER_S = 120
"""How far the begin of a consequence may lie from that of its cause [s]."""
SAME_LOSS_S = 600.0
"""How long after the first alert of a lost device those of its other loops may be raised [s]."""


def parent_of(alert: Alert, standing: Sequence[Alert], endpoints: Mapping[str, frozenset[str]], now: float) -> Alert | None:
    """The alert that a new one is part of: the loss of a device that both loops are read through, or a fault of the same loop
    that explains this link and began together with it. None where it stands for itself."""
    for other in sorted(standing, key=lambda item: item.raised):
        if other.id == alert.id or other.parent or other.state in (AlertState.SUPPRESSED, AlertState.OUT_OF_SERVICE):
            continue
        if _same_device(alert, other, endpoints, now) or _explains(other, alert):
            return other
    return None


def _same_device(alert: Alert, other: Alert, endpoints: Mapping[str, frozenset[str]], now: float) -> bool:
    shared = endpoints.get(alert.loop, frozenset()) & endpoints.get(other.loop, frozenset())
    lost = all(item.link == Link.COMMUNICATION.value and item.finding.cause == UNKNOWN for item in (alert, other))
    soon = abs(now - other.raised) <= SAME_LOSS_S
    return alert.loop != other.loop and bool(shared) and lost and alert.finding.title == other.finding.title and soon


def _explains(other: Alert, alert: Alert) -> bool:
    together = abs(alert.finding.begin - other.finding.begin) <= TOGETHER_S
    return alert.loop == other.loop and together and alert.finding.link in explained_by(other.finding)
