"""Six answers that an export cannot give by itself, and the site file that they make."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from io import StringIO
from typing import Any

from ruamel.yaml import YAML

from collector.replay.storing import stored
from config.errors import TallywireError
from config.load import parse_site
from config.model import RecordedTag, Site, Tag
from config.roles import ROLES
from config.units import convert, parse_quantity

LOOP = "loop"
_SPAN = re.compile(r"^\s*([+-]?[\d.,]+)\s*(?:\.\.+|to|bis|-|–|…|;|\s)\s*([+-]?[\d.,]+)\s*(\S.*)?$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Question:
    """One question: its key, what is asked, and an example of an answer; `roles` without which it is not asked."""

    key: str
    asks: str
    example: str
    roles: tuple[str, ...] = ()


QUESTIONS = (
    Question("columns", "Which column is what? (and in which unit)", "Massflow = flow, t/h"),
    Question("gauge_range", "Which flow does the gauge send as 4 mA and as 20 mA?", "0 to 420 t/h"),
    Question("plc_range", "Which flow does the PLC show at 4 mA and at 20 mA?", "0 to 420 t/h", ("plc_flow", "ai_raw")),
    Question("raw_span", "Which raw counts does the input card give at 4 mA and at 20 mA?", "0 to 27648", ("ai_raw",)),
    Question("filters", "Damping of the gauge and filter of the PLC, in seconds?", "10 and 0"),
    Question(
        "kept",
        "Which columns were stored only when they had moved? As steps or as lines, by how much, and at most how far apart? (none: all)",
        "flow=step:0.5 t/h:10 min; plc_flow=step:0.5 t/h:10 min",
    ),
    Question("zone", "In which time zone are the times, and is the day or the month first?", "UTC, day first"),
)
"""In the order in which they are asked. What a loop does not carry is not asked, nor `kept` where no column looks so."""
NONE_KEPT = ("", "-", "none", "no")
"""Answers to `kept` that mean: every reading was stored."""


@dataclass(frozen=True, slots=True)
class Column:
    """What a column of the export is: its role, and the unit of its numbers (empty: the canonical unit of the role)."""

    role: str
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """Answers for one loop: flows [t/h], raw counts, times [s], the columns by name, the zone."""

    columns: Mapping[str, Column]
    gauge_range: tuple[float, float]
    plc_range: tuple[float, float]
    raw_span: tuple[float, float] = (0.0, 27648.0)
    damping: float = 10.0
    plc_filter: float = 0.0
    zone: str = "UTC"
    kept: tuple[str, ...] = ()
    loop: str = LOOP


def span(text: str, unit: str, what: str) -> tuple[float, float]:
    """Two numbers with one unit, such as "0 to 420 t/h", in `unit`; a bare "420 t/h" begins at zero.

    Raises
    ------
    TallywireError
        Not two numbers, no unit where one is needed, or the same number twice.
    """
    fix = f"write both ends, such as {'0 to 420 t/h' if unit else '0 to 27648'}"
    found = _SPAN.match(text)
    if found is None:
        ends = [0.0, _quantity(text, unit, what, fix)]
    else:
        measured = (found.group(3) or "").strip()
        ends = [
            _quantity(f"{number.rstrip('.,').replace(',', '.')} {measured}", unit, what, fix) for number in found.groups()[:2]
        ]
    if ends[0] == ends[1]:
        raise TallywireError(f"{what}: both ends are {ends[0]:g}", fix=fix)
    return ends[0], ends[1]


def _quantity(text: str, unit: str, what: str, fix: str) -> float:
    try:
        return float(text) if not unit else parse_quantity(text.strip(), unit)
    except ValueError as error:
        raise TallywireError(f"{what}: {error}", fix=fix) from error


def two_seconds(text: str) -> tuple[float, float]:
    """Damping of the gauge and filter of the PLC [s] from "10 and 0", "10", "10 s, 2 s".

    Raises
    ------
    TallywireError
        Not one or two numbers from 0 to 600.
    """
    numbers = [float(part.replace(",", ".")) for part in re.findall(r"\d+(?:[.,]\d+)?", text)]
    if not 1 <= len(numbers) <= 2 or max(numbers) > 600.0:
        raise TallywireError(f"{text!r} is not a damping and a filter", fix="write both in seconds, such as 10 and 0")
    return numbers[0], numbers[1] if len(numbers) > 1 else 0.0


def columns_of(text_by_name: Mapping[str, str]) -> dict[str, Column]:
    """Roles and units from "flow" or "flow, kg/s" for each column; an empty text leaves the column out.

    Raises
    ------
    TallywireError
        No role, a role twice, or a unit that does not fit.
    """
    out: dict[str, Column] = {}
    for name, text in text_by_name.items():
        role, _, unit = (part.strip() for part in text.partition(","))
        if not role or role == "-":
            continue
        if role not in ROLES:
            raise TallywireError(f"column {name!r}: there is no role {role!r}", fix=f"one of {', '.join(ROLES)}")
        other = next((column for column, known in out.items() if known.role == role), None)
        if other is not None:
            raise TallywireError(f"columns {other!r} and {name!r} are both {role}", fix="leave one of them out")
        if unit and ROLES[role].unit:
            try:
                convert(1.0, unit, ROLES[role].unit)
            except ValueError as error:
                raise TallywireError(f"column {name!r}: {error}", fix=f"a unit of {ROLES[role].unit}") from error
        out[name] = Column(role, unit)
    if not any(column.role == "flow" for column in out.values()):
        raise TallywireError(
            "no column is the flow that the gauge reports", fix="say which column is `flow`; nothing goes without it"
        )
    return out


def kept_of(text: str) -> tuple[str, ...]:
    """What was stored of each role, one saying a role, from "flow=step:0.5 t/h:10 min; plc_flow=line:1 t/h"."""
    return () if text.strip().lower() in NONE_KEPT else tuple(part.strip() for part in text.split(";") if part.strip())


def site_text(answers: Answers) -> str:
    """The site file of the answers: one loop, recorded tags, no addresses.

    Raises
    ------
    TallywireError
        What was said of the recorder cannot be.
    """
    if answers.kept:
        plain = parse_site(site_text(replace(answers, kept=())), "answers").site
        return _text(answers, {role: _tag(tag) for role, tag in stored(plain, answers.kept).loops[answers.loop].tags.items()})
    tags: dict[str, Any] = {
        column.role: {"measured_in": column.unit} if column.unit else {} for column in answers.columns.values()
    }
    return _text(answers, tags)


def _tag(tag: Tag) -> dict[str, Any]:
    """A recorded tag as it stands in a site file."""
    assert isinstance(tag, RecordedTag)
    raw: dict[str, Any] = {"measured_in": tag.measured_in} if tag.measured_in else {}
    if tag.stored != "all":
        raw |= {"stored": tag.stored, "deadband": tag.deadband}
        raw |= {} if tag.longest is None else {"longest": f"{tag.longest:g} s"}
    return raw


def _text(answers: Answers, tags: Mapping[str, Any]) -> str:
    site = {
        "schema": 1,
        "site": "export",
        "title": "From an export and six answers",
        "time_zone": answers.zone,
        "loops": {
            answers.loop: {
                "gauge": {"range": _range(answers.gauge_range), "damping": f"{answers.damping:g} s"},
                "plc": {
                    "range": _range(answers.plc_range),
                    "raw_span": {"low": answers.raw_span[0], "high": answers.raw_span[1]},
                    "filter": f"{answers.plc_filter:g} s",
                },
                "tags": dict(tags),
            }
        },
    }
    out = StringIO()
    yaml = YAML()
    yaml.width = 120
    yaml.dump(site, out)
    return "# Made from an export and the answers of a person; complete it before the service runs on it.\n" + out.getvalue()


def site_of(answers: Answers) -> Site:
    """The site of the answers, judged as every site file is.

    Raises
    ------
    SiteFileError
        An answer that no site may have.
    """
    return parse_site(site_text(answers), "answers").site


def _range(ends: tuple[float, float]) -> dict[str, str]:
    return {"low": f"{ends[0]:.12g} t/h", "high": f"{ends[1]:.12g} t/h"}
