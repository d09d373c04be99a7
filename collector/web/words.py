"""Numbers, times and names as people read them. Numbers first, units always, missing values in words."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from markupsafe import Markup, escape

from checks.evaluation import BeltState
from checks.result import Link
from collector.alerts.model import AlertState, Priority
from config.model import ModbusTag, OpcUaTag, Tag
from config.roles import ROLES, Kind

MINUS = "\N{MINUS SIGN}"
THIN = "\N{NARROW NO-BREAK SPACE}"
NONE = "no value"

DECIMALS = {
    "t/h": 1,
    "t": 1,
    "mA": 3,
    "%": 2,
    "1/s": 0,
    "count": 0,
    "counts": 0,
    "m/s": 3,
    "degC": 1,
    "kg/m": 2,
    "s": 1,
    "Hz": 2,
    "ms": 1,
}
"""Digits after the point by unit; what is not here gets four significant digits."""

SHOWN_UNIT = {"degC": "°C", "count": "counts", "1/s": "1/s", "1": ""}

LINK_NAMES = {
    Link.COUNTS: "counts",
    Link.LOAD: "load",
    Link.DRIVE: "drive",
    Link.GAUGE_OUTPUT: "output",
    Link.CURRENT: "current",
    Link.INPUT_CARD: "card",
    Link.SCALING_BLOCK: "scaling",
    Link.TOTALS: "totals",
    Link.COMMUNICATION: "network",
    Link.SETUP: "setup",
}
"""Short names for the strip."""

PLACES = {
    Link.COUNTS: "Source and detector: counts",
    Link.LOAD: "Gauge: counts to load and flow",
    Link.DRIVE: "Belt drive: speed",
    Link.GAUGE_OUTPUT: "Gauge output: flow to current",
    Link.CURRENT: "Current loop: gauge to cabinet",
    Link.INPUT_CARD: "Input card: current to raw counts",
    Link.SCALING_BLOCK: "Scaling block: raw counts to t/h",
    Link.TOTALS: "Totals: t/h to tonnes",
    Link.COMMUNICATION: "Communication: readings fresh and on time",
    Link.SETUP: "Setup: both ends configured alike",
}

STATE_WORDS = {
    BeltState.LOADED: "belt loaded",
    BeltState.EMPTY: "belt runs empty",
    BeltState.STOPPED: "belt stopped",
    BeltState.UNKNOWN: "belt state not known",
}

ALERT_WORDS = {
    AlertState.NORMAL: "over",
    AlertState.UNACKNOWLEDGED: "stands, not acknowledged",
    AlertState.ACKNOWLEDGED: "stands, acknowledged",
    AlertState.RETURNED: "gone, not acknowledged",
    AlertState.SHELVED: "shelved",
    AlertState.SUPPRESSED: "held back by design",
    AlertState.OUT_OF_SERVICE: "out of service",
}

PRIORITY_WORDS = {Priority.HIGH: "high", Priority.MEDIUM: "medium", Priority.LOW: "low"}

NOT_THE_WEIGHT = (
    "Agreement does not prove the weight. Both ends copy the same counts, so build-up, decay, load shape and belt speed move "
    "both alike; only a material test or a reference weight shows whether the tonnes are right."
)


def finite(value: float | None) -> float | None:
    """The number, None where it is missing, NaN or infinite."""
    return value if value is not None and math.isfinite(value) else None


def number(value: float | None, unit: str = "", *, signed: bool = False) -> str:
    """A number with the digits its unit deserves, thousands parted by a thin space, `no value` where there is none."""
    found = finite(value)
    if found is None:
        return NONE
    digits = DECIMALS.get(unit)
    if digits is None:
        digits = 0 if found == 0 else max(0, 3 - math.floor(math.log10(abs(found)))) if abs(found) < 1e4 else 0
        digits = 0 if found == int(found) else min(digits, 6)
    text = f"{abs(found):,.{digits}f}"
    zero = float(text.replace(",", "")) == 0
    sign = "" if zero else MINUS if found < 0 else "+" if signed else ""
    return sign + text.replace(",", THIN)


def quantity(value: float | None, unit: str = "", *, signed: bool = False) -> str:
    """A number with its unit."""
    text = number(value, unit, signed=signed)
    shown = shown_unit(unit)
    return text if text == NONE or not shown else f"{text}\N{NO-BREAK SPACE}{shown}"


def shown_unit(unit: str) -> str:
    """A unit as people write it; empty for pure numbers."""
    return SHOWN_UNIT.get(unit, unit)


def duration(seconds: float | None) -> str:
    """A length of time in at most two units."""
    found = finite(seconds)
    if found is None:
        return NONE
    total = int(max(0.0, found))
    if total < 120:
        return f"{total}\N{NO-BREAK SPACE}s"
    minutes, hours, days = total // 60, total // 3600, total // 86400
    if minutes < 120:
        return f"{minutes}\N{NO-BREAK SPACE}min"
    if hours < 48:
        rest = minutes % 60
        return f"{hours}\N{NO-BREAK SPACE}h" + (f" {rest}\N{NO-BREAK SPACE}min" if rest else "")
    return f"{days}\N{NO-BREAK SPACE}days"


def iso(time_s: float | None) -> str | None:
    """A time as ISO 8601 in UTC with a Z, to the millisecond where it has a fraction."""
    found = finite(time_s)
    if found is None:
        return None
    whole = found == int(found)
    stamp = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=round(found * 1000))
    return stamp.isoformat(timespec="seconds" if whole else "milliseconds").replace("+00:00", "Z")


def local(time_s: float | None, zone: ZoneInfo, now: float, *, seconds: bool = False) -> Markup:
    """A time in the zone of the site with its name, the date where it is not today, UTC in the title."""
    found = finite(time_s)
    if found is None:
        return Markup("<span>no time</span>")
    stamp = datetime.fromtimestamp(found, zone)
    today = datetime.fromtimestamp(now, zone).date()
    pattern = "%H:%M:%S" if seconds else "%H:%M"
    if stamp.date() != today:
        pattern = ("%d %b " if stamp.year == today.year else "%d %b %Y ") + pattern
    name = stamp.strftime("%Z")
    name = f"UTC{name}" if name[:1] in "+-" else name
    utc = stamp.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    return Markup('<time datetime="{}" title="{}">{}</time>').format(iso(found), utc, f"{stamp.strftime(pattern)} {name}")


MOMENT = re.compile(r"(\d{2}):(\d{2}) UTC on (\d{2}) ([A-Z][a-z]{2})")
"""A moment as `checks.telling` writes it, which knows no zone of a site."""
MINUS_SIGN = re.compile(r"(?<![\w.)])-(?=\d)")
DEGREES = re.compile(r"(?<=\d) degC\b")


def said(text: str, zone: ZoneInfo, now: float) -> Markup:
    """A sentence of the checks for people at the site: moments in local time with UTC in the title, real minus signs, °C."""

    def moment(found: re.Match[str]) -> str:
        year = datetime.fromtimestamp(now, UTC).year
        for tried in (year, year - 1):
            stamp = datetime.strptime(f"{found[1]}:{found[2]} {found[3]} {found[4]} {tried} +0000", "%H:%M %d %b %Y %z")
            if stamp.timestamp() <= now + 86400.0:
                break
        return str(local(stamp.timestamp(), zone, now))

    safe = str(escape(text))
    return Markup(MOMENT.sub(moment, DEGREES.sub("\N{NO-BREAK SPACE}°C", MINUS_SIGN.sub(MINUS, safe))))  # noqa: S704 - escaped above


def cause_name(cause: str) -> str:
    """A cause id as words."""
    return "cause not known" if cause == "unknown" else cause.replace("-", " ")


def odds(value: float | None) -> str:
    """Odds as a ratio in words; above 1000:1 only that."""
    found = finite(value)
    if found is None:
        return "certain by rule, not by odds"
    if found >= 1000:
        return "more than 1000 : 1"
    if 0.0 < found < 1.0:
        return f"1 : {1.0 / found:.2g}"
    return f"{found:.0f} : 1" if found >= 1.5 else f"{found:.1f} : 1"


def odds_of_alternative(value: float) -> str:
    """Odds of an alternative, usually below one, as 1 to something."""
    found = finite(value)
    if found is None or found <= 0:
        return NONE
    return odds(found) if found >= 1 else f"1 : {1 / found:.0f}"


def tag_value(value: float, role: str, unit: str) -> str:
    """The value of a tag: yes or no for bits, digits as they are for settings without a unit."""
    known = ROLES.get(role)
    if known is not None and known.kind is Kind.BIT and value in (0.0, 1.0):
        return "yes" if value else "no"
    return quantity(value, unit)


def registers(raw: Sequence[float]) -> str:
    """Raw registers, decimal and, where they are words of 16 bit, hexadecimal."""
    if all(math.isfinite(item) and item == int(item) and 0 <= item <= 0xFFFF for item in raw):
        return " ".join(f"{int(item)}" for item in raw) + " = 0x " + " ".join(f"{int(item):04X}" for item in raw)
    return " ".join(f"{item:g}" for item in raw)


def where(tag: Tag) -> str:
    """Where a tag is read."""
    if isinstance(tag, ModbusTag):
        bit = f" bit {tag.bit}" if tag.bit is not None else ""
        return f"{tag.endpoint} {tag.table} {tag.address}{bit} {tag.type.value} {tag.order.value}"
    if isinstance(tag, OpcUaTag):
        return f"{tag.endpoint} {tag.node}" + (f" {tag.property}" if tag.property else "")
    return "recorded data only"
