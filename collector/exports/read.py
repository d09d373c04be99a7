"""Reads an export as it comes, and tells what was made of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import chain, islice
from pathlib import Path

import numpy as np

from checks.samples import BAD
from collector.exports.cells import Mark, Numbers, numbers, qualities
from collector.exports.dialect import ROWS, Dialect, dialect_of, separator_of
from collector.exports.guess import Guess, guess_roles, unit_of
from collector.exports.held import LOOKED_AT, Held, looks_held
from collector.exports.layout import Long, long_layout, quality_beside
from collector.exports.lines import Row, encoding_of, is_workbook, refuse_too_large, sheet_rows, text_rows, workbook_sheets
from collector.exports.stamps import DateOrder, sheet_days, stamps
from collector.exports.tidy import Between, Codes, Floats, Series, on_grid, one_grid, tell_gaps, tidy, usual_step
from collector.exports.understanding import Understanding, count, examples
from config.errors import DataFileError

PIECE = 50_000
"""Rows whose text is held at once."""
LONGEST_HOLD_S = 900.0
HOLD_STEPS = 3.0
SEPARATOR_WORDS = {";": "semicolon", "\t": "tab", ",": "comma", "|": "vertical bar"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Overrules:
    """What a person says over what would be understood; None or empty: as understood."""

    zone: str = "UTC"
    order: DateOrder | None = None
    mark: Mark | None = None
    sheet: str = ""
    between: Mapping[str, Between] = field(default_factory=dict)
    longest: Mapping[str, float] = field(default_factory=dict)
    """How long a reading of a column may stand [s], where somebody knows it."""


@dataclass(slots=True, kw_only=True)
class Export:
    """An export that is understood: time [epoch s] ascending, a column of numbers and one of qualities for each name."""

    time: Floats
    values: dict[str, Floats]
    quality: dict[str, Codes]
    units: dict[str, str]
    guesses: list[Guess]
    said: Understanding
    held: dict[str, Held] = field(default_factory=dict)
    """Columns that look as if only changes had been stored."""

    @property
    def step_s(self) -> float:
        """The usual distance of rows [s]."""
        return usual_step(self.time)


@dataclass(slots=True)
class _Read:
    """Columns as they stand in the file, in its order."""

    date: list[str] = field(default_factory=list)
    tag: list[str] = field(default_factory=list)
    columns: dict[str, list[Numbers]] = field(default_factory=dict)
    quality: dict[str, list[Codes]] = field(default_factory=dict)
    ragged: int = 0
    rows: int = 0


def read_export(path: Path, overrules: Overrules | None = None) -> Export:
    """Read a text or workbook file of any usual layout.

    Raises
    ------
    DataFileError
        The file cannot be read as a table of times and readings.
    """
    chosen = overrules or Overrules()
    said = Understanding()
    refuse_too_large(path)
    with _rows(path, chosen, said) as (rows, separator):
        head = list(islice(rows, ROWS + 60))
        dialect = dialect_of(head, str(path), said, separator)
        mark = chosen.mark or dialect.mark
        shown = [row for row in head[dialect.first :] if any(row)]
        long = long_layout(shown, dialect)
        read = _read(chain(head[dialect.first :], rows), dialect, long, mark)
    if not read.rows:
        raise DataFileError("there are no rows under the header", where=str(path), fix="export again with data")
    _tell_cells(read, said)
    export = _long(read, chosen, said, path) if long is not None else _wide(read, dialect, chosen, said)
    if not len(export.time):
        raise DataFileError(
            "no row has a time that can be read", where=str(path), fix="; ".join(said.questions) or "see the times"
        )
    tell_gaps(export.time, said)
    said.understood.insert(
        0, f"{count(read.rows, 'row')}, {count(len(export.values), 'column')} of readings, {export.step_s:g} s apart"
    )
    return export


@contextmanager
def _rows(path: Path, chosen: Overrules, said: Understanding) -> Iterator[tuple[Iterator[Row], str]]:
    """The rows of the file, and the separator (empty for a workbook)."""
    if is_workbook(path):
        sheets = workbook_sheets(path)
        sheet = chosen.sheet or sheets[0]
        if sheet not in sheets:
            raise DataFileError(f"the workbook has no sheet {sheet!r}", where=str(path), fix=f"it has {examples(sheets)}")
        said.understood.append(f"a workbook, sheet {sheet!r}")
        if len(sheets) > 1 and not chosen.sheet:
            said.dropped.append(
                f"{count(len(sheets) - 1, 'other sheet')}: {examples([name for name in sheets if name != sheet])}"
            )
        with sheet_rows(path, sheet) as found:
            yield found, ""
        return
    encoding, words = encoding_of(path)
    separator = separator_of(path, encoding)
    said.understood.append(f"text in {words}, fields separated by {SEPARATOR_WORDS[separator]}")
    with text_rows(path, encoding, separator) as found:
        yield found, separator


def _read(rows: Iterator[Row], dialect: Dialect, long: Long | None, mark: Mark) -> _Read:
    """Turn text into numbers piece by piece, so that little text is held at once."""
    out = _Read()
    while taken := list(islice(rows, PIECE)):
        piece = [row for row in taken if any(row)]
        width = len(dialect.names)
        out.ragged += sum(len(row) > width and any(row[width:]) for row in piece)
        cells = [list(column) for column in zip(*(_padded(row, width) for row in piece), strict=True)]
        if not cells:
            continue
        out.rows += len(piece)
        dates = cells[dialect.date]
        if dialect.clock is not None:
            dates = [f"{day} {clock}" for day, clock in zip(dates, cells[dialect.clock], strict=True)]
        out.date += dates
        if long is not None:
            out.tag += cells[long.tag]
            out.columns.setdefault("", []).append(numbers(cells[long.value], mark))
            if long.quality is not None:
                out.quality.setdefault("", []).append(qualities(cells[long.quality]))
            continue
        qualified = quality_beside(dialect.names)
        for place, name in enumerate(dialect.names):
            if place in (dialect.date, dialect.clock):
                continue
            if name in qualified:
                out.quality.setdefault(qualified[name], []).append(qualities(cells[place]))
            else:
                out.columns.setdefault(name, []).append(numbers(cells[place], mark))
    return out


def _padded(row: Row, width: int) -> Row:
    return row[:width] if len(row) >= width else [*row, *[""] * (width - len(row))]


def _times(read: _Read, chosen: Overrules, said: Understanding, group: Sequence[int] | None) -> Floats:
    days = sheet_days(read.date)
    if days is not None:
        said.understood.append("times are day numbers of a spreadsheet")
    return stamps(days or read.date, chosen.zone, said, order=chosen.order, group=group).time


def _wide(read: _Read, dialect: Dialect, chosen: Overrules, said: Understanding) -> Export:
    time = _times(read, chosen, said, None)
    values: dict[str, Floats] = {}
    quality: dict[str, Codes] = {}
    kept = time
    held: dict[str, Held] = {}
    for name, parts in read.columns.items():
        value = np.concatenate([part.values for part in parts])
        code = np.concatenate([part.quality for part in parts])
        if name in read.quality:
            code = np.maximum(code, np.concatenate(read.quality[name]))
        series, timeless, again, unsorted = tidy(Series(time, value, code))
        kept, values[name], quality[name] = series.time, series.value, series.quality
    if read.columns:
        _tell_order(timeless, again, unsorted, said)
    empty = [name for name, column in values.items() if not np.isfinite(column).any()]
    if empty:
        said.dropped.append(f"{count(len(empty), 'column')} without a number: {examples(empty)}")
    values = {name: column for name, column in values.items() if name not in empty}
    units = {name: unit_of(name, unit) for name, unit in zip(dialect.names, dialect.units, strict=True) if name in values}
    for name, value in values.items():
        found = looks_held(kept, value, rows_of_a_table=True)
        if found is not None:
            held[name] = found
    for name, between in chosen.between.items():
        if name in values and between is Between.LINEAR:
            values[name], quality[name] = _drawn(kept, values[name], quality[name], chosen.longest.get(name, LONGEST_HOLD_S))
    guesses = guess_roles(values, units)
    return Export(
        time=kept, values=values, quality={name: quality[name] for name in values}, units=units,
        guesses=guesses, said=said, held=_held(held, guesses, said),
    )  # fmt: skip


def _drawn(time: Floats, value: Floats, quality: Codes, longest_s: float) -> tuple[Floats, Codes]:
    """A column with empty cells between readings, on a straight line from one to the next."""
    there = np.isfinite(value) | (quality >= BAD)
    line = on_grid(Series(time[there], value[there], quality[there]), time, Between.LINEAR, longest_s)
    return line.value, line.quality


def _long(read: _Read, chosen: Overrules, said: Understanding, path: Path) -> Export:
    names = list(dict.fromkeys(tag for tag in read.tag if tag))
    number = {name: place for place, name in enumerate(names)}
    group = np.array([number.get(tag, -1) for tag in read.tag], np.int64)
    time = _times(read, chosen, said, group.tolist())
    said.understood.append(f"one row a reading, {count(len(names), 'tag')}: {examples(names)}")
    value = np.concatenate([part.values for part in read.columns[""]])
    code = np.concatenate([part.quality for part in read.columns[""]])
    if read.quality:
        code = np.maximum(code, np.concatenate(read.quality[""]))
    told = np.zeros(3, np.int64)
    series: dict[str, Series] = {}
    for name, place in number.items():
        rows = group == place
        part, *odd = tidy(Series(time[rows], value[rows], code[rows]))
        told += odd
        if len(part.time):
            series[name] = part
    if not series:
        return Export(time=np.zeros(0), values={}, quality={}, units={}, guesses=[], said=said)
    _tell_order(int(told[0]), int(told[1]), int(told[2]), said)
    try:
        grid = one_grid(series)
    except ValueError as error:
        raise DataFileError(str(error), where=str(path), fix="export fewer days at once") from error
    values, quality = {}, {}
    looks = {name: looks_held(part.time, part.value, rows_of_a_table=False) for name, part in series.items()}
    for name, part in series.items():
        between = chosen.between.get(name, Between.HOLD)
        longest = chosen.longest.get(name, min(max(HOLD_STEPS * usual_step(part.time), 2.0), LONGEST_HOLD_S))
        there = on_grid(part, grid, between, longest)
        values[name], quality[name] = there.value, there.quality
    said.assumed.append(
        "between two readings of a tag the first one is held, at most for three times its usual distance"
        + (
            f"; on a line for {examples([n for n, b in chosen.between.items() if b is Between.LINEAR])}"
            if chosen.between
            else ""
        )
    )
    units = {name: unit_of(name) for name in values}
    guesses = guess_roles(values, units)
    held = _held({name: found for name, found in looks.items() if found is not None}, guesses, said)
    return Export(time=grid, values=values, quality=quality, units=units, guesses=guesses, said=said, held=held)


def _held(held: Mapping[str, Held], guesses: Sequence[Guess], said: Understanding) -> dict[str, Held]:
    """Of the columns that look so those whose role moves all the time; each is told."""
    roles = {guess.column: guess.role for guess in guesses}
    out = {name: found for name, found in held.items() if roles.get(name) in LOOKED_AT}
    for name, found in out.items():
        said.questions.append(
            f"was {name!r} stored only when it had moved? it looks so: by {found.deadband:g} or more, at most "
            f"{found.longest_s:g} s apart"
        )
    return out


def _tell_cells(read: _Read, said: Understanding) -> None:
    """Say which words stood in place of numbers, and how often."""
    for what, kind in (("for a reading that is not one", "bad"), ("that nobody can read as a number", "unknown")):
        found: dict[str, int] = {}
        for parts in read.columns.values():
            for part in parts:
                for word, times in getattr(part, kind).items():
                    found[word] = found.get(word, 0) + times
        if found:
            said.dropped.append(f"{count(sum(found.values()), 'cell')} with words {what}: {examples(list(found))}")
    bits = {word for parts in read.columns.values() for part in parts for word in part.bits}
    if bits:
        said.understood.append(f"words of two states as 1 and 0: {examples(sorted(bits))}")
    if read.ragged:
        said.dropped.append(f"fields behind the last column in {count(read.ragged, 'row')}")


def _tell_order(timeless: int, again: int, unsorted: int, said: Understanding) -> None:
    if timeless:
        said.dropped.append(f"{count(timeless, 'row')} without a time that can be read")
    if again:
        said.dropped.append(f"{count(again, 'row')} of a time that was there already (the later row of the file holds)")
    if unsorted:
        said.understood.append(f"the rows were not in order of time ({count(unsorted, 'step')} back): they are sorted")
