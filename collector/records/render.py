"""A record as HTML: from its stored text alone, so that the same record always reads the same."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from collector import uptime_text
from collector.alerts.model import AlertState
from collector.records import figures
from collector.records.book import Record
from collector.records.content import SIGNED_BY, Head, field_of, local
from collector.records.loop_check import ends_of
from collector.uptime import utc
from collector.web import words
from config.cautions import CAUTIONS

TEMPLATES = {
    "loop check": "loop_check.html", "chain report": "chain_report.html", "restatement": "restatement.html",
    "uptime report": "uptime_report.html", "period account": "period_account.html",
    "calibration": "calibration.html",
}  # fmt: skip


def html(record: Record, *, style_href: str = "", links: bool = False) -> str:
    """The whole page. With `style_href` it asks for the style sheet there, else it carries it; `links`: ways to other pages."""
    content = record.content
    raw: dict[str, Any] = record.raw
    zone = _zone(content, raw)
    template = TEMPLATES.get(record.kind, "plain.html") if content is not None else "plain.html"
    known = {
        "software": "",
        "site": "",
        "site_title": "",
        "loop_title": "",
        "site_sha256": "",
        "by": "",
        "schedule": "",
        "made": None,
    }
    return _environment().get_template(template).render(
        record=record,
        it=content,
        raw={**known, **raw},
        stored=raw,
        title=content.TITLE if content is not None else record.kind.capitalize(),
        loops=list(content.loops) if content is not None else [],
        period=getattr(content, "period", None),
        signatures=content.signatures if content is not None else SIGNED_BY,
        zone=ZoneInfo(zone),
        local=lambda time_s: local(time_s, zone),
        short=lambda time_s: local(time_s, zone)[:16],
        between=lambda begin, end: _between(local(begin, zone)[:16], local(end, zone)[:16]),
        style=Markup(style_sheet()),  # noqa: S704 - our own file, from the package
        style_href=style_href,
        links=links,
    )  # fmt: skip


@lru_cache(maxsize=1)
def style_sheet() -> str:
    """The one style sheet, for paper and screen."""
    return resources.files("collector.records").joinpath("print.css").read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def _environment() -> Environment:
    env = Environment(
        loader=PackageLoader("collector.records", "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.globals.update(
        words=words, figures=figures, text=uptime_text, cautions=CAUTIONS, ends_of=ends_of, utc=utc, alert_words=_alert_words
    )
    return env


def _between(begin: str, end: str) -> str:
    """Two times to the minute; the date is said once where it is one."""
    return f"{begin} to {end[11:] if begin[:10] == end[:10] else end}"


def _alert_words(state: str) -> str:
    try:
        return words.ALERT_WORDS[AlertState(state)]
    except ValueError:
        return state


def _zone(content: Head | None, raw: dict[str, Any]) -> str:
    zone = content.time_zone if content is not None else field_of(raw, "time_zone", "UTC")
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return "UTC"
    return zone
