"""A message about an alert, readable on a phone: what, where, since when, by how much, what to check, and the cautions."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from checks.finding import UNKNOWN, Finding
from config.cautions import CAUTIONS
from config.model import Site

KINDS = {
    "raised": "ALERT",
    "returned": "RETURNED",
    "refined": "CAUSE NAMED",
    "reminder": "STILL UNACKNOWLEDGED",
    "test": "TEST",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message: `key` is the same at every repetition, so that a receiver can drop what it knows."""

    key: str
    kind: str
    subject: str
    text: str
    fields: dict[str, Any]


def local(time: float, site: Site) -> str:
    """A time in the zone of the site, with the zone."""
    zone = ZoneInfo(site.time_zone)
    return datetime.fromtimestamp(time, zone).strftime("%Y-%m-%d %H:%M %Z")


def alert_message(key: str, kind: str, alert: dict[str, Any], finding: Finding, site: Site, page: str) -> Message:
    """The message for a change of an alert; `alert` is its row, `page` the address of the service's pages."""
    cause = finding.title if finding.cause == UNKNOWN else f"{finding.title} ({finding.cause})"
    subject = f"{KINDS.get(kind, kind)} {site.site} {finding.loop}: {cause}"
    lines = [
        f"{finding.loop}, link {finding.link.value}: {cause}",
        finding.sentence or f"{finding.title} at {finding.link.value}",
        f"Since {local(finding.begin, site)}.",
    ]
    amounts = _amounts(finding)
    if amounts:
        lines.append(amounts)
    lines += [f"Still needed to name the cause: {need}" for need in finding.gate]
    if kind != "returned" and finding.advice:
        lines += ["", "Check first:", *(f"{number}. {step}" for number, step in enumerate(finding.advice[:3], 1))]
        lines += ["", "Before anybody goes to the gauge:", *(f"- {caution}" for caution in CAUTIONS)]
    lines += ["", f"{page}/loops/{finding.loop}" if page else "", f"Priority {alert['priority']}."]
    fields = {
        "key": key, "kind": kind, "site": site.site, "loop": finding.loop, "link": finding.link.value, "cause": finding.cause,
        "title": finding.title, "sentence": finding.sentence, "begin": finding.begin, "odds": finding.odds,
        "tonnes": finding.tonnes, "tonnes_uncertainty": finding.tonnes_uncertainty, "rate_error_t_h": finding.rate_error_t_h,
        "advice": list(finding.advice), "cautions": list(CAUTIONS), "priority": alert["priority"],
        "alert": alert["id"], "page": f"{page}/loops/{finding.loop}" if page else None,
    }  # fmt: skip
    return Message(key=key, kind=kind, subject=subject, text="\n".join(line for line in lines).strip() + "\n", fields=fields)


def _amounts(finding: Finding) -> str:
    parts = []
    deviation = next(
        (item for item in finding.evidence if item.value is not None and item.unit in ("mA", "% of span", "t/h")), None
    )
    if deviation is not None and deviation.value is not None:
        parts.append(f"{deviation.name} {deviation.value:+.2f} {deviation.unit}")
    if finding.rate_error_t_h is not None:
        parts.append(f"{finding.rate_error_t_h:+.1f} t/h")
    if finding.tonnes is not None:
        spread = f" +/- {finding.tonnes_uncertainty:.1f}" if finding.tonnes_uncertainty is not None else ""
        parts.append(f"{finding.tonnes:+.1f}{spread} t since then")
    return "By how much: " + ", ".join(parts) + "." if parts else ""
