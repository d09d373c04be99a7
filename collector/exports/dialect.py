"""How the rows of an export are laid out: separator, header, rows of units, decimal mark, and where the data begin."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from collector.exports.cells import Mark, is_bad_word, looks_like_number, votes
from collector.exports.lines import LOOKED_AT, SEPARATORS, Row
from collector.exports.stamps import looks_like_clock, looks_like_time, sheet_days
from collector.exports.understanding import Understanding, count, examples
from config.errors import DataFileError
from config.units import known_unit

ROWS = 400
"""Rows that are looked at."""
MOST_TITLE_ROWS = 60


@dataclass(frozen=True, slots=True)
class Dialect:
    """The layout of the rows.

    `names` are those of the header, made unique; `units` one for each name, empty where none is written. `first` is the row
    (from 0) where the data begin. `date` is the column of the times, `clock` that of the clock time where the date stands
    alone.
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    first: int
    date: int
    clock: int | None
    mark: Mark


def separator_of(path: Path, encoding: str) -> str:
    """The separator that gives most rows the same number of fields, and more than one.

    Raises
    ------
    DataFileError
        No separator does.
    """
    with path.open(encoding=encoding, newline="", errors="replace") as file:
        text = file.read(LOOKED_AT)
    if "\n" in text:
        text = text[: text.rindex("\n")]
    best, most = "", 0.0
    for separator in SEPARATORS:
        try:
            widths = [len(row) for row in csv.reader(io.StringIO(text), delimiter=separator) if any(row)][-ROWS:]
        except csv.Error:
            continue
        usual = max(set(widths), key=widths.count, default=0)
        score = widths.count(usual) / max(len(widths), 1) * (usual > 1) * (1.0 + min(usual, 50) / 200.0)
        if score > most:
            best, most = separator, score
    if not best:
        raise DataFileError(
            "the lines have one field each",
            where=str(path),
            fix="export with fields separated by semicolon, tab or comma: a time and at least one tag",
        )
    return best


def dialect_of(rows: Sequence[Row], where: str, said: Understanding, separator: str = "") -> Dialect:
    """Understand the first rows of a file.

    Raises
    ------
    DataFileError
        No column holds times, or no header and no data are found.
    """
    first, date, clock = _first_data(rows, where)
    header, unit_row = _header(rows, first)
    width = max(len(row) for row in rows[first:])
    names = _unique([*(rows[header] if header is not None else [])], width)
    units = [*(rows[unit_row] if unit_row is not None else [])] + [""] * width
    skipped = [number for number in range(first) if number not in (header, unit_row) and any(rows[number])]
    if header is None:
        said.assumed.append("there is no header: the columns are called column 1, column 2 and so on")
    if unit_row is not None:
        said.understood.append(f"row {unit_row + 1} holds units: {examples([unit for unit in units if unit])}")
    if skipped:
        said.dropped.append(
            f"{count(len(skipped), 'row')} of titles above the data: {examples([' '.join(rows[n]) for n in skipped])}"
        )
    return Dialect(tuple(names), tuple(units[:width]), first, date, clock, _mark(rows[first:], (date, clock), separator, said))


def _first_data(rows: Sequence[Row], where: str) -> tuple[int, int, int | None]:
    """The first row of data, the column of times and that of the clock where the date stands alone."""
    for number, row in enumerate(rows[:MOST_TITLE_ROWS]):
        if len([cell for cell in row if cell]) < 2:
            continue
        for place, cell in enumerate(row):
            following = [later[place] for later in rows[number : number + 20] if len(later) > place]
            clock = _clock_beside(row, place)
            if looks_like_time(cell) or sheet_days(following) is not None:
                return number, place, clock
    raise DataFileError(
        f"no column holds times in the first {min(len(rows), MOST_TITLE_ROWS)} rows",
        where=where,
        fix="export with a column of date and time, such as 2027-03-01 06:00:00",
    )


def _clock_beside(row: Row, place: int) -> int | None:
    """The column of the clock time, where the date stands alone."""
    if ":" in row[place] or not looks_like_time(row[place]) or row[place].isdigit():
        return None
    return next((other for other, cell in enumerate(row) if other != place and looks_like_clock(cell)), None)


def _header(rows: Sequence[Row], first: int) -> tuple[int | None, int | None]:
    """The row of names and the row of units above the data."""
    above = [number for number in range(first) if sum(bool(cell) for cell in rows[number]) >= 2]
    if not above:
        return None, None
    last = above[-1]
    if len(above) > 1 and _is_unit_row(rows[last]):
        return above[-2], last
    return last, None


def _is_unit_row(row: Row) -> bool:
    """Whether most of the filled cells are units, and none is a name."""
    filled = [cell.strip("[]()") for cell in row if cell]
    units = sum(known_unit(cell) or cell in ("%", "-", "°C", "1/s", "cps") for cell in filled)
    return units >= max(1, len(filled) / 2)


def _unique(names: list[str], width: int) -> list[str]:
    """A name for every column, none twice."""
    out: list[str] = []
    for place in range(width):
        name = names[place] if place < len(names) and names[place] else f"column {place + 1}"
        again = 2
        wanted = name
        while wanted in out:
            wanted, again = f"{name} ({again})", again + 1
        out.append(wanted)
    return out


def _mark(rows: Sequence[Row], times: tuple[int | None, ...], separator: str, said: Understanding) -> Mark:
    """The decimal mark of the file, by the numbers that can have only one."""
    cells = [cell for row in rows for place, cell in enumerate(row) if place not in times and looks_like_number(cell)]
    counted = votes(cells)
    if counted.point or counted.comma:
        mark = Mark.POINT if counted.point >= counted.comma else Mark.COMMA
        other = min(counted.point, counted.comma)
        said.understood.append(f"the decimal mark is a {mark.name.lower()}")
        if other:
            said.questions.append(
                f"{other} numbers look as if the decimal mark were the other one: is a {mark.name.lower()} right?"
            )
        return mark
    mark = Mark.COMMA if counted.either and separator in (";", "\t") and any("," in cell for cell in cells) else Mark.POINT
    if counted.either:
        said.assumed.append(f"the decimal mark is a {mark.name.lower()}")
        said.questions.append(
            "does 1,234 mean a little more than one, or more than a thousand? the file itself does not show it"
        )
    return mark


def filled_words(rows: Sequence[Row], place: int) -> list[str]:
    """The cells of a column that hold text: neither empty, nor number, nor word for a bad reading."""
    cells = [row[place] for row in rows if len(row) > place and row[place]]
    return [cell for cell in cells if not looks_like_number(cell) and not is_bad_word(cell) and not looks_like_time(cell)]
