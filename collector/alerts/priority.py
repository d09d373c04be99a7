"""Priority of an alert, from consequence and time to respond, with the reason in words."""

from __future__ import annotations

from checks.finding import Finding
from checks.result import Verdict
from collector.alerts.model import Priority

SAFETY = {"shutter-contradiction", "shutter-closed", "shutter-part-open", "source-changed"}
"""Causes that concern people near the source first."""
BLIND = {"zero-counts", "open-loop", "output-frozen", "forced-value", "burnout-value", "stale-tag", "tach-lost", "speed-held"}
"""Causes that leave the number on the screen without any meaning."""
LARGE_T_H = 10.0
"""Rate error that is worth a walk in the same shift [t/h]; own choice: 10 t/h is 80 t in a shift."""


def priority_of(finding: Finding) -> tuple[Priority, str]:
    """Priority and its rationale."""
    if finding.cause in SAFETY:
        return Priority.HIGH, "it may concern people near the source"
    if finding.verdict is not Verdict.FAULT:
        return Priority.LOW, "the limit for a doubt is passed, not that for a fault"
    if finding.cause in BLIND:
        return Priority.HIGH, "the number that the plant runs on has no meaning now"
    rate = abs(finding.rate_error_t_h) if finding.rate_error_t_h is not None else None
    if rate is not None and rate >= LARGE_T_H:
        return Priority.HIGH, f"about {rate:.0f} t/h are booked wrongly while it lasts"
    if rate is not None:
        return Priority.MEDIUM, f"about {rate:.1f} t/h are booked wrongly while it lasts"
    return Priority.MEDIUM, "a fault limit is passed"
