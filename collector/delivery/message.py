"""Messages, readable on a phone: what, where, since when, by how much, what to check, and the cautions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from checks.finding import UNKNOWN, Finding
from collector.alerts.priority import rationale_of
from config.cautions import CAUTIONS
from config.model import Site

KINDS = {
    "raised": "ALERT",
    "again": "CAME BACK",
    "grown": "NO LONGER AS ACCEPTED",
    "risen": "PRIORITY RAISED",
    "returned": "RETURNED",
    "refined": "CAUSE NAMED",
    "reminder": "STILL UNACKNOWLEDGED",
    "escalated": "NOBODY HAS ACKNOWLEDGED",
    "many-reminder": "STILL UNACKNOWLEDGED",
    "many-escalated": "NOBODY HAS ACKNOWLEDGED",
    "flood": "MANY ALERTS",
    "flood-over": "FLOOD OVER",
    "handover": "HAND-OVER",
    "digest": "DAILY SUMMARY",
    "test": "TEST",
}
"""Kinds of messages, as a subject begins."""
EXPLAINED = ("again", "grown", "risen", "refined", "escalated", "reminder")
"""Kinds of which the history of the alert says why they are sent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message: `key` is the same at every repetition, so that a receiver can drop what it knows. `site` and `about` say whose
    it is and what it is about (loop/link, or empty), `time` when it was put into the outbox (ISO 8601)."""

    key: str
    kind: str
    subject: str
    text: str
    fields: dict[str, Any]
    site: str = ""
    about: str = ""
    time: str = ""


def local(time: float, site: Site) -> str:
    """A time in the zone of the site, with the zone."""
    zone = ZoneInfo(site.time_zone)
    return datetime.fromtimestamp(time, zone).strftime("%Y-%m-%d %H:%M %Z")


def message_of(key: str, body: dict[str, Any], finding: Finding | None, site: Site, page: str) -> Message:
    """The message for what lies in the outbox; `finding` is the one of the alert, where it is about one."""
    if finding is None:
        return plain_message(key, body["kind"], body["title"], body["lines"], site, page, time=body["time"])
    note, time = body.get("note", ""), body.get("time", "")
    return alert_message(key, body["kind"], body["alert"], finding, site, page, note=note, time=time)


def alert_message(
    key: str, kind: str, alert: dict[str, Any], finding: Finding, site: Site, page: str, *, note: str = "", time: str = ""
) -> Message:
    """The message for a change of an alert; `alert` is its row, `page` the address of the service's pages."""
    cause = finding.title if finding.cause == UNKNOWN else f"{finding.title} ({finding.cause})"
    subject = f"{KINDS.get(kind, kind)} {site.site} {finding.loop}: {cause}"
    why = rationale_of(finding, site.alerting.tolerable)
    here = site.alerting.page.rstrip("/") or page
    link = f"{here}/alerts#{alert['id']}" if here else ""
    lines = [
        f"{finding.loop}, link {finding.link.value}: {cause}",
        finding.sentence or f"{finding.title} at {finding.link.value}",
        f"Since {local(finding.begin, site)}.",
    ]
    lines += [text for text in (_amounts(finding), _sentence(note) if kind in EXPLAINED else "") if text]
    lines += [f"Still needed to name the cause: {need}" for need in finding.gate]
    if kind != "returned":
        lines.append(f"Act within {spoken(why.respond_within_s)}: {why.consequence}.")
    if kind != "returned" and finding.advice:
        lines += ["", "Check first:", *(f"{number}. {step}" for number, step in enumerate(finding.advice[:3], 1))]
        lines += ["", *_cautions()]
    lines += [
        "",
        f"{here}/loops/{finding.loop}" if here else "",
        f"To acknowledge: {link}" if link and kind != "returned" else "",
    ]
    lines = [*lines[:-2], *filter(None, lines[-2:]), f"Priority {alert['priority']}."]
    fields = {
        "key": key, "kind": kind, "site": site.site, "loop": finding.loop, "link": finding.link.value, "cause": finding.cause,
        "title": finding.title, "sentence": finding.sentence, "begin": _iso(finding.begin), "odds": finding.odds,
        "tonnes": finding.tonnes, "tonnes_uncertainty": finding.tonnes_uncertainty, "rate_error_t_h": finding.rate_error_t_h,
        "advice": list(finding.advice), "cautions": list(CAUTIONS), "priority": alert["priority"],
        "consequence": why.consequence, "respond_within_s": round(why.respond_within_s), "note": note,
        "alert": alert["id"], "page": f"{here}/loops/{finding.loop}" if here else None,
    }  # fmt: skip
    return Message(
        key=key, kind=kind, subject=subject, text="\n".join(lines).strip() + "\n", fields=fields, site=site.site,
        about=f"{finding.loop}/{finding.link.value}", time=time or _iso(finding.begin),
    )  # fmt: skip


def plain_message(key: str, kind: str, title: str, lines: Sequence[str], site: Site, page: str, *, time: str = "") -> Message:
    """A message that is about no single alert: a flood, a hand-over, the daily summary, a test."""
    here = site.alerting.page.rstrip("/") or page
    link = f"{here}/alerts" if here else ""
    text = [_sentence(title), "", *(f"- {line}" for line in lines)]
    if kind != "test":
        text += ["", *_cautions()]
    text += ["", link] if link else []
    fields = {
        "key": key, "kind": kind, "site": site.site, "title": title, "lines": list(lines), "cautions": list(CAUTIONS),
        "page": link or None,
    }  # fmt: skip
    subject = f"{KINDS.get(kind, kind)} {site.site}: {title}"
    return Message(
        key=key, kind=kind, subject=subject, text="\n".join(text).strip() + "\n", fields=fields, site=site.site, time=time
    )


def spoken(seconds: float) -> str:
    """A time as people say it: minutes below two hours, else hours."""
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.0f} h"


def _cautions() -> list[str]:
    return ["Before anybody goes to the gauge:", *(f"- {caution}" for caution in CAUTIONS)]


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '!', '?')) else '.'}" if text else ""


def _iso(time: float) -> str:
    return datetime.fromtimestamp(time, UTC).isoformat().replace("+00:00", "Z")


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
