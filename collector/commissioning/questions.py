"""The questions of a first site file, each with its check: the terminal and the page ask the same ones."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from zoneinfo import available_timezones

from config.errors import TallywireError
from config.nuclides import nuclide
from config.units import parse_quantity

Check = Callable[[str], None]
MEASURED = "measured"
"""The gauge takes the speed of the belt from a sensor."""
YES = "yes"
TOGETHER, BOTH = "this and the answer before it belong together", "give both, or neither"


@dataclass(frozen=True, slots=True)
class Ask:
    """One question: the key that is written, what is asked, an example, what an empty answer means (None: leave the key out,
    unless it is needed), how an answer is checked, and the comment beside the key."""

    key: str
    asks: str
    example: str
    usual: str | None
    check: Check
    comment: str
    needed: bool = False
    after: str = ""
    """The question whose answer this one belongs to: not asked without it, needed with it."""


def _quantity(unit: str) -> Check:
    def check(text: str) -> None:
        try:
            parse_quantity(text, unit)
        except ValueError as error:
            raise TallywireError(str(error)) from error

    return check


def matches(pattern: str, what: str) -> Check:
    """A check against a regular expression, told as what it should have been."""

    def check(text: str) -> None:
        if not re.fullmatch(pattern, text):
            raise TallywireError(f"{text!r} is no {what}")

    return check


def whole(low: int, high: int, what: str) -> Check:
    """A check for a whole number within bounds."""

    def check(text: str) -> None:
        if not (text.isascii() and text.isdigit() and len(text) < 6 and low <= int(text) <= high):
            raise TallywireError(f"{text!r} is no {what}", fix=f"a whole number from {low} to {high}")

    return check


def _zone(text: str) -> None:
    if text not in available_timezones():
        raise TallywireError(f"{text!r} is no time zone", fix="an IANA name, such as UTC or Atlantic/Reykjavik")


def _day(text: str) -> None:
    try:
        date.fromisoformat(text)
    except ValueError:
        raise TallywireError(f"{text!r} is no day", fix="write it as 2027-03-01") from None


def _belt_speed(text: str) -> None:
    if text == MEASURED:
        return
    try:
        parse_quantity(text, "m/s")
    except ValueError as error:
        raise TallywireError(str(error), fix="`measured`, or the fixed speed, such as 2.2 m/s") from error


def _nuclide(text: str) -> None:
    try:
        nuclide(text)
    except ValueError as error:
        raise TallywireError(str(error)) from error


def _anything(text: str) -> None:
    if not text.isprintable() or len(text) > 200:
        raise TallywireError("this is too long for one line", fix="shorten it")


NAME = matches(r"[A-Za-z0-9_-]{1,40}", "name of letters, digits, - and _")
SITE: Sequence[Ask] = (
    Ask("site", "A short name of the site?", "north-terminal", None, NAME, "", needed=True),
    Ask("title", "Its title, as people say it?", "Potash export terminal", None, _anything, ""),
    Ask("time_zone", "Its time zone?", "Atlantic/Reykjavik", "UTC", _zone, "shifts and months begin by it"),
)
GAUGE: Sequence[Ask] = (
    Ask("low", "Flow that the gauge sends as 4 mA?", "0 t/h", "0 t/h", _quantity("t/h"), "", needed=True),
    Ask("high", "Flow that the gauge sends as 20 mA?", "420 t/h", None, _quantity("t/h"), "", needed=True),
    Ask("damping", "Damping set in the gauge?", "10 s", "10 s", _quantity("s"), "time constant of the output"),
    Ask(
        "belt_speed",
        "Belt speed in the gauge: measured, or fixed at such as 2.2 m/s?",
        MEASURED,
        MEASURED,
        _belt_speed,
        "",
    ),
    Ask("nuclide", "Nuclide of the source?", "Cs-137", "Cs-137", _nuclide, ""),
    Ask("activity", "Activity on its papers? (Enter: not known)", "1.85 GBq", None, _quantity("Bq"), ""),
    Ask("activity_date", "Day of that activity?", "2024-02-20", None, _day, "", after="activity"),
    Ask(
        "empty_belt_rate",
        "Count rate of the empty belt at the last tare? (Enter: not known)",
        "5200 1/s",
        None,
        _quantity("1/s"),
        "gross",
    ),
    Ask("reference_date", "Day of that tare?", "2026-05-14", None, _day, "the day of that rate", after="empty_belt_rate"),
    Ask(
        "background",
        "Background count rate set in the gauge?",
        "60 1/s",
        "0 1/s",
        _quantity("1/s"),
        "zero where it was never read",
    ),
    Ask(
        "dead_time",
        "Dead time of the detector, where the counts it shows are not corrected for it?",
        "5 us",
        "0 s",
        _quantity("s"),
        "zero where the counts are corrected for it",
    ),
    Ask(
        "counts_filtered",
        "Does its damping smooth the count rate that it shows as well, yes or no?",
        YES,
        YES,
        matches("yes|no", "yes or no"),
        "",
    ),
    Ask(
        "load_per_attenuation",
        "Factor: load per unit of attenuation? (Enter: not known)",
        "153.85 kg/m",
        None,
        _quantity("kg/m"),
        "",
    ),
    Ask("belt_length", "Length of the whole belt? (Enter: not known)", "240 m", None, _quantity("m"), "for whole turns"),
)
PLC: Sequence[Ask] = (
    Ask("low", "Flow that the PLC shows at 4 mA?", "0 t/h", "0 t/h", _quantity("t/h"), "", needed=True),
    Ask("high", "Flow that the PLC shows at 20 mA?", "420 t/h", None, _quantity("t/h"), "", needed=True),
    Ask("raw_low", "Raw counts of the input card at 4 mA?", "0", "0", matches(r"-?\d+(\.\d+)?", "number"), ""),
    Ask("raw_high", "Raw counts at 20 mA?", "27648", "27648", matches(r"-?\d+(\.\d+)?", "number"), ""),
    Ask("filter", "Filter of card and block together?", "0 s", "0 s", _quantity("s"), ""),
)
DRIVE: Sequence[Ask] = (
    Ask("variable", "Does the drive vary the speed of the belt, yes or no?", "no", "no", matches("yes|no", "yes or no"), ""),
    Ask("speed_at_nominal", "Belt speed at nominal frequency? (Enter: not known)", "1.9 m/s", None, _quantity("m/s"), ""),
    Ask("nominal_frequency", "Nominal frequency of the drive?", "50 Hz", "50 Hz", _quantity("Hz"), ""),
)
GAUGE_TAGS = (
    "flow",
    "load",
    "speed",
    "count_rate",
    "detector_temperature",
    "gauge_output",
    "gauge_total",
    "gauge_range_low",
    "gauge_range_high",
    "empty_belt_rate",
)
PLC_TAGS = (
    "plc_flow",
    "ai_raw",
    "loop_current",
    "plc_range_low",
    "plc_range_high",
    "plc_unit",
    "plc_total",
    "drive_running",
    "drive_speed",
    "feed_running",
    "maintenance",
)
_WORDS = {"true", "false", "null", "yes", "no", "on", "off", "y", "n"}
"""Texts that YAML takes for something else."""
DEVICE = Ask("name", "Name of a device?", "gauge-07", None, NAME, "", needed=True)
PROTOCOL = Ask("protocol", "modbus or opcua?", "modbus", "modbus", matches("modbus|opcua", "protocol: modbus or opcua"), "")
LOOP = Ask("name", "Name of a loop?", "TB-07", None, NAME, "", needed=True)
TAG_COMMENTS: Mapping[str, str] = {
    "loop_current": "add independent: true where something else than the card behind ai_raw measures it",
}
"""What stands beside a tag in the file."""


def scalar(text: str) -> str:
    """A text as YAML reads it back: plain where that is safe in any place, else in quotes."""
    safe = re.fullmatch(r"[A-Za-z][A-Za-z0-9_./+;=-]*|[0-9.+-]+ [A-Za-z0-9/%]+|[A-Za-z][A-Za-z0-9 _./+-]*[A-Za-z0-9]", text)
    return text if safe and text.lower() not in _WORDS else "'" + text.replace("'", "''") + "'"


def taken(ask: Ask, said: str) -> str:
    """An answer as it is kept: trimmed, the usual one where nothing was said, '' where it is left out.

    Raises
    ------
    TallywireError
        It is needed, or cannot be what was asked for.
    """
    answer = said.strip() or (ask.usual or "")
    if not answer:
        if ask.needed and ask.after:
            raise TallywireError(TOGETHER, fix=BOTH)
        if ask.needed:
            raise TallywireError("this is needed", fix=f"such as {ask.example}")
        return ""
    try:
        ask.check(answer)
    except TallywireError as error:
        raise TallywireError(error.what, fix=error.fix or f"such as {ask.example}") from error
    return answer


def like_gauge(ask: Ask, gauge: Mapping[str, str]) -> Ask:
    """The ranges of the PLC are usually those of the gauge: they are offered, and have to be confirmed."""
    return replace(ask, usual=gauge.get(ask.key)) if ask.key in ("low", "high") else ask


def belonging(ask: Ask, said: Mapping[str, str]) -> Ask | None:
    """The question as it is asked after others were answered; None where the one that it belongs to was left out."""
    if not ask.after:
        return ask
    return replace(ask, needed=True) if ask.after in said else None
