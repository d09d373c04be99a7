"""Wide or long: one column a tag, or one row a reading with the name of its tag."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from collector.exports.cells import looks_like_number
from collector.exports.dialect import Dialect, filled_words
from collector.exports.lines import Row

TAG = re.compile(r"^(tag|tag ?name|name|point|item|signal|variable|series|channel|parameter|id)$", re.IGNORECASE)
VALUE = re.compile(r"^(value|val|reading|data|average|avg|mean)$", re.IGNORECASE)
QUALITY = re.compile(r"(^|[._ \-/(])(quality|qual|status|state of value|q)\)?$", re.IGNORECASE)
MOST_LONG_COLUMNS = 8
QUALITY_WORDS = frozenset({"good", "bad", "uncertain", "ok", "questionable", "substituted"})


@dataclass(frozen=True, slots=True)
class Long:
    """The columns of a file with one row a reading."""

    tag: int
    value: int
    quality: int | None


def long_layout(rows: Sequence[Row], dialect: Dialect) -> Long | None:
    """The columns of tag, value and quality where the file has one row a reading; None where it has one column a tag."""
    others = [place for place in range(len(dialect.names)) if place not in (dialect.date, dialect.clock)]
    if len(others) > MOST_LONG_COLUMNS or len(others) < 2:
        return None
    quality = next((p for p in others if QUALITY.search(dialect.names[p]) or _holds_quality(rows, p)), None)
    texts = [p for p in others if p != quality and _holds_names(rows, p)]
    values = [p for p in others if p not in texts and p != quality and _holds_numbers(rows, p)]
    tag = next((p for p in texts if TAG.match(dialect.names[p])), texts[0] if texts else None)
    value = next((p for p in values if VALUE.match(dialect.names[p])), values[0] if len(values) == 1 else None)
    return None if tag is None or value is None else Long(tag, value, quality)


def quality_beside(names: Sequence[str]) -> dict[str, str]:
    """For each column that holds the quality of another one, that other one, by their names."""
    out: dict[str, str] = {}
    for place, name in enumerate(names):
        found = QUALITY.search(name)
        if not found:
            continue
        stem = name[: found.start()].strip(" ._-/(").lower()
        owner = next((other for other in names if other != name and other.lower() == stem), None)
        if owner is None and not stem and place:
            owner = names[place - 1]
        if owner is not None:
            out[name] = owner
    return out


def _holds_names(rows: Sequence[Row], place: int) -> bool:
    """Whether a column holds few texts again and again in nearly every row."""
    words = filled_words(rows, place)
    filled = sum(len(row) > place and bool(row[place]) for row in rows)
    return len(words) > 0.9 * max(filled, 1) and filled > 0.9 * len(rows) and len(set(words)) <= max(len(rows) / 3, 1)


def _holds_numbers(rows: Sequence[Row], place: int) -> bool:
    cells = [row[place] for row in rows if len(row) > place and row[place]]
    return sum(looks_like_number(cell) for cell in cells) > 0.5 * max(len(cells), 1)


def _holds_quality(rows: Sequence[Row], place: int) -> bool:
    cells = [row[place].lower() for row in rows if len(row) > place and row[place]]
    return bool(cells) and sum(cell in QUALITY_WORDS for cell in cells) > 0.9 * len(cells)
