"""Why an alert is one: what follows from the fault, what is to be done, and within what time; the priority follows from that.

An alarm has a consequence, a response and a time to respond, or it is none (ISA-18.2 and IEC 62682, alarm rationalization: from
memory). The numbers of this module are its own choices.
"""

from __future__ import annotations

from dataclasses import dataclass

from checks.finding import Finding
from checks.result import Link, Verdict
from collector.alerts.model import Priority
from config.deliveries import RoleName

SAFETY = {"shutter-contradiction", "shutter-closed", "shutter-part-open", "source-changed"}
"""Causes that concern people near the source first."""
BLIND = {"zero-counts", "open-loop", "output-frozen", "forced-value", "burnout-value", "stale-tag", "tach-lost", "speed-held"}
"""Causes that leave the number on the screen without any meaning."""
TOLERABLE_T = 20.0
"""Mass that may be booked wrongly before somebody must have acted [t], where the site says nothing."""
SOON_S = 7200.0
"""A response needed within this time is a walk in the same shift [s]: high priority."""
LARGE_T_H = TOLERABLE_T * 3600.0 / SOON_S
"""Rate error that is worth a walk in the same shift [t/h]: 10 t/h is 80 t in a shift."""
AT_ONCE_S, BLIND_S, SHIFT_S, DAY_S = 600.0, 1800.0, 8 * 3600.0, 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rationale:
    """What an alert is for: consequence, response, and the time within which it is needed [s]; `roles` are those whose work it is."""

    priority: Priority
    consequence: str
    response: str
    respond_within_s: float
    roles: tuple[RoleName, ...]


def rationale_of(finding: Finding, tolerable_t: float = TOLERABLE_T) -> Rationale:
    """The rationale of a finding; `tolerable_t` is the mass that may be booked wrongly before somebody must have acted [t]."""
    priority, consequence = priority_of(finding, tolerable_t)
    return Rationale(
        priority=priority,
        consequence=consequence,
        response=finding.advice[0] if finding.advice else "open the loop and read what its links need",
        respond_within_s=_time(finding, tolerable_t),
        roles=roles_of(finding),
    )


def priority_of(finding: Finding, tolerable_t: float = TOLERABLE_T) -> tuple[Priority, str]:
    """Priority and the consequence that it comes from."""
    if finding.cause in SAFETY:
        return Priority.HIGH, "it may concern people near the source"
    if finding.verdict is not Verdict.FAULT:
        return Priority.LOW, "the limit for a doubt is passed, not that for a fault"
    if finding.cause in BLIND:
        return Priority.HIGH, "the number that the plant runs on has no meaning now"
    rate = abs(finding.rate_error_t_h) if finding.rate_error_t_h is not None else None
    if rate is not None and rate * SOON_S >= tolerable_t * 3600.0:
        return Priority.HIGH, f"about {rate:.0f} t/h are booked wrongly while it lasts"
    if rate is not None:
        return Priority.MEDIUM, f"about {rate:.1f} t/h are booked wrongly while it lasts"
    if finding.link is Link.COMMUNICATION:
        return Priority.MEDIUM, "nothing is verified there while it lasts"
    return Priority.MEDIUM, "a fault limit is passed"


def roles_of(finding: Finding) -> tuple[RoleName, ...]:
    """Whose work it is: maintenance always, and who else must know."""
    if finding.cause in SAFETY:
        return ("radiation-safety", "operations", "maintenance")
    if finding.cause in BLIND:
        return ("operations", "maintenance")
    if finding.link is Link.TOTALS:
        return ("accounting", "maintenance")
    return ("maintenance",)


def _time(finding: Finding, tolerable_t: float) -> float:
    if finding.cause in SAFETY:
        return AT_ONCE_S
    if finding.verdict is not Verdict.FAULT:
        return DAY_S
    if finding.cause in BLIND:
        return BLIND_S
    rate = abs(finding.rate_error_t_h or 0.0)
    return SHIFT_S if rate == 0.0 else min(DAY_S, max(AT_ONCE_S, tolerable_t / rate * 3600.0))
