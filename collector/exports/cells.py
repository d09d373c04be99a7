"""Cells of text as numbers: decimal marks, grouping, bits, and the words that stand where a number should."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from checks.samples import BAD, GOOD, UNCERTAIN

Floats = NDArray[np.float64]
Codes = NDArray[np.uint8]

GROUPS = " \u00a0\u202f\u2009'\u2019"
"""What stands between groups of thousands, beside point and comma."""
BAD_WORDS = frozenset({
    "bad", "no data", "nodata", "no value", "novalue", "n/a", "na", "#n/a", "nan", "null", "none", "nil", "invalid", "error", "err",
    "fault", "fail", "failed", "offline", "timeout", "i/o timeout", "io timeout", "comm fail", "comm failure", "communication failure",
    "not connected", "disconnected", "bad input", "bad value", "out of service", "no good data", "scan off", "scan timeout",
    "configure", "pt created", "shutdown", "no sample", "over range", "under range", "overrange", "underrange", "inf", "-inf", "+inf",
    "infinity", "-infinity", "1.#qnan", "1.#inf", "-1.#ind", "#value!", "#ref!", "#div/0!", "#num!", "#name?", "-", "--", "---", "?", "*",
    "schlecht", "ungültig", "keine daten", "mauvais", "malo", "sin datos",
})  # fmt: skip
"""Words for a reading that is not one, in small letters. Common practice, no source."""
BITS = {
    "true": 1.0, "false": 0.0, "yes": 1.0, "no": 0.0, "on": 1.0, "off": 0.0, "running": 1.0, "stopped": 0.0, "run": 1.0, "stop": 0.0,
    "active": 1.0, "inactive": 0.0, "started": 1.0, "ein": 1.0, "aus": 0.0,
}  # fmt: skip
GOOD_WORDS = frozenset({"good", "ok", "valid", "gut", "g"})
UNCERTAIN_WORDS = frozenset({"uncertain", "questionable", "doubtful", "substituted", "u", "q"})

_POINT = re.compile(r"^[+-]?(?:\d{1,3}(?:,\d{3})+\.\d*|\d*\.(?:\d{1,2}|\d{4,})|0?\.\d+|\d+\.\d+[eE][+-]?\d+)$")
_COMMA = re.compile(r"^[+-]?(?:\d{1,3}(?:\.\d{3})+,\d*|\d*,(?:\d{1,2}|\d{4,})|0?,\d+|\d+,\d+[eE][+-]?\d+)$")
_EITHER = re.compile(r"^[+-]?[1-9]\d{0,2}([.,])\d{3}$")
_NUMBER = re.compile(r"^[+-]?(?:\d[\d .,'\u00a0\u202f\u2009\u2019]*|[.,]\d+)(?:[eE][+-]?\d+)?\s*%?$")


class Mark(StrEnum):
    """The decimal mark."""

    POINT = "."
    COMMA = ","


@dataclass(frozen=True, slots=True)
class Votes:
    """How many numbers can only have a point, only a comma, and either, as decimal mark."""

    point: int = 0
    comma: int = 0
    either: int = 0


def looks_like_number(cell: str) -> bool:
    """Whether a cell is a number in any writing."""
    return bool(_NUMBER.match(cell))


def is_bad_word(cell: str) -> bool:
    """Whether a cell is a word for a reading that is not one."""
    return cell.lower() in BAD_WORDS


def votes(cells: Sequence[str]) -> Votes:
    """What the numbers among some cells say about the decimal mark."""
    stripped = ["".join(letter for letter in cell if letter not in GROUPS) for cell in cells]
    return Votes(
        sum(bool(_POINT.match(cell)) for cell in stripped),
        sum(bool(_COMMA.match(cell)) for cell in stripped),
        sum(bool(_EITHER.match(cell)) for cell in stripped),
    )


@dataclass(slots=True)
class Numbers:
    """A column as numbers: `values` NaN where there is none, `quality` codes, and the words that were not numbers."""

    values: Floats
    quality: Codes
    bad: Counter[str] = field(default_factory=Counter)
    unknown: Counter[str] = field(default_factory=Counter)
    bits: Counter[str] = field(default_factory=Counter)


def numbers(cells: Sequence[str], mark: Mark) -> Numbers:
    """Read a column of cells.

    An empty cell is no reading (NaN, good: nothing was said). A word for a bad reading is NaN with quality bad. Words of two
    states are 0 and 1. Any other text is NaN with quality bad and is counted as unknown.
    """
    text = [_plain(cell, mark) for cell in cells]
    values = pd.to_numeric(pd.Series(text, dtype=object), errors="coerce").to_numpy(np.float64, copy=True)
    finite = np.isfinite(values)
    values[~finite] = np.nan
    out = Numbers(values, np.full(len(cells), GOOD, np.uint8))
    for row in np.flatnonzero(~finite).tolist():
        word = cells[row].lower()
        if not word:
            continue
        if word in BITS:
            out.values[row] = BITS[word]
            out.bits[cells[row]] += 1
            continue
        out.quality[row] = BAD
        (out.bad if word in BAD_WORDS else out.unknown)[cells[row]] += 1
    return out


def qualities(cells: Sequence[str]) -> Codes:
    """A column of quality words or codes as 0 good, 1 uncertain, 2 bad; an empty cell is good.

    A column with numbers from 64 to 255 is of OPC DA codes, whose bits 6 and 7 say 11 good, 01 uncertain, 00 bad (OPC Data
    Access 3.00, from memory); one with larger numbers of OPC UA codes, whose bits 30 and 31 say 00 good, 01 uncertain, 10 bad
    (OPC UA part 4, 7.39). Where no number is above 2, they are 0 good, 1 uncertain, 2 bad.
    """
    words = {word: _code(word) for word in set(cells)}
    largest = max((code for code in words.values() if code is not None), default=0)
    known = {word: _quality(word.lower(), code, largest) for word, code in words.items()}
    return np.array([known[word] for word in cells], np.uint8)


def _code(word: str) -> int | None:
    try:
        return int(word, 0)
    except ValueError:
        return None


def _quality(word: str, code: int | None, largest: int) -> int:
    if code is None:
        if not word or word in GOOD_WORDS or word.startswith("good"):
            return GOOD
        return UNCERTAIN if word in UNCERTAIN_WORDS or word.startswith("uncertain") else BAD
    if largest > 0xFFFF:
        return (GOOD, UNCERTAIN, BAD, BAD)[code >> 30 & 3]
    if largest >= 64:
        return (BAD, UNCERTAIN, BAD, GOOD)[code >> 6 & 3]
    return code if code in (GOOD, UNCERTAIN) else BAD


def _plain(cell: str, mark: Mark) -> str:
    """A number as the library reads it."""
    if cell.isdigit():
        return cell
    group = "," if mark is Mark.POINT else "."
    text = cell.rstrip("%").rstrip()
    if not _NUMBER.match(text):
        return ""
    for letter in (*GROUPS, group):
        if letter in text:
            text = text.replace(letter, "")
    return text.replace(",", ".")
