"""Recorded files as tables of numbers: CSV and Parquet, in pieces of constant size, each problem with its line and column."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from collector.replay.cut import Until, whole_lines
from collector.replay.opening import Place, is_url, open_binary, shown, size_of, suffix_of
from collector.replay.times import TimeReader
from config.errors import DataFileError

ROWS = 50_000
"""Rows that are held in memory at once."""
MOST_OPEN_CHECK = 4096
"""Bytes looked at to tell text from anything else."""

_EXACT: dict[str, Any] = {} if pd.__version__ >= "3.1" else {"float_precision": "round_trip"}
"""Keeps every digit of a number; newer releases always do and warn when they are told."""
_BITS = {"true": 1.0, "false": 0.0, "yes": 1.0, "no": 0.0, "on": 1.0, "off": 0.0}


@dataclass(frozen=True, slots=True)
class Piece:
    """Rows of a file: `time` [epoch s], one array a column, and the fraction of the file that is read (0 to 1)."""

    time: NDArray[np.float64]
    columns: dict[str, NDArray[np.float64]]
    done: float


class Table(Protocol):
    """A recorded file that is open for reading; `said` is what a reader must know of it."""

    names: list[str]
    said: tuple[str, ...]

    def pieces(self, time: str, wanted: list[str]) -> Iterator[Piece]:
        """The file piece by piece, the wanted columns as float64 with NaN where there is no reading."""
        ...


def open_table(path: Place) -> Table:
    """Open a recorded file by what it is, not by its name.

    Raises
    ------
    DataFileError
        The file is not there, empty, or neither CSV nor Parquet.
    """
    try:
        with open_binary(path) as file:
            head = file.read(MOST_OPEN_CHECK)
    except OSError as error:
        why = error.strerror or ("no such file" if isinstance(error, FileNotFoundError) else error)
        raise DataFileError(
            f"the data file cannot be read ({why})",
            where=shown(path),
            fix="check the path and the permissions",
        ) from error
    if not head.strip():
        raise DataFileError("the data file is empty", where=shown(path), fix="export again: a header line and at least one row")
    if head[:4] == b"PAR1":
        return _Parquet(path)
    if suffix_of(path) in {".parquet", ".pq"}:
        raise DataFileError("this is not a Parquet file", where=shown(path), fix="export again, or name it .csv if it is text")
    if head[:4] == b"PK\x03\x04":
        raise DataFileError(
            "this is a workbook or an archive, not CSV or Parquet", where=shown(path), fix="save the sheet as CSV"
        )
    if head[:2] == b"\x1f\x8b":
        raise DataFileError("this file is compressed", where=shown(path), fix="unpack it first")
    if b"\0" in head:
        raise DataFileError(
            "this is neither CSV nor Parquet",
            where=shown(path),
            fix="export as CSV in UTF-8, or as Parquet (UTF-16 is not read)",
        )
    return _Csv(path)


class _Csv:
    """A CSV file in UTF-8, separated by comma, semicolon or tab, with a header line."""

    def __init__(self, path: Place) -> None:
        self._path = path
        try:
            with open_binary(path) as file, io.TextIOWrapper(file, encoding="utf-8-sig", newline="") as text:
                header = text.readline()
        except UnicodeDecodeError as error:
            raise self._not_utf8() from error
        self._separator = max(",;\t", key=header.count)
        self.names = next(csv.reader([header], delimiter=self._separator), [])
        if len(self.names) < 2:
            raise DataFileError(
                f"the header line has one column: {header.strip()[:60]!r}",
                where=f"{shown(path)}, line 1",
                fix="this does not look like CSV: give a header with `time` and the tags, separated by commas",
            )
        size = size_of(path)
        with open_binary(path) as file:
            self._whole = whole_lines(file, size, self._separator, len(self.names))
        cut = "the last line is cut off and was left out: the file was broken off, or is still being written"
        self.said: tuple[str, ...] = (cut,) if self._whole < size else ()

    def _not_utf8(self) -> DataFileError:
        return DataFileError("this text is not UTF-8", where=shown(self._path), fix="export as CSV in UTF-8, or as Parquet")

    def pieces(self, time: str, wanted: list[str]) -> Iterator[Piece]:
        size = max(self._whole, 1)
        reader = TimeReader(self._path, "line")
        first_line = 2
        try:
            with open_binary(self._path) as file:
                chunks = pd.read_csv(
                    file if not self.said else io.BufferedReader(Until(file, self._whole)),
                    sep=self._separator,
                    encoding="utf-8-sig",
                    header=0,
                    names=self.names,
                    chunksize=ROWS,
                    skip_blank_lines=False,
                    low_memory=False,
                    **_EXACT,
                    skipinitialspace=True,
                )
                for chunk in chunks:
                    if not isinstance(chunk.index, pd.RangeIndex):
                        raise pd.errors.ParserError("more fields than the header")
                    lines = first_line + np.arange(len(chunk))
                    first_line += len(chunk)
                    filled = chunk.notna().any(axis=1).to_numpy()
                    chunk, lines = chunk[filled], lines[filled]
                    if len(chunk):
                        columns = {name: _numbers(chunk[name], lines, name, self._path, "line") for name in wanted}
                        yield Piece(reader.read(chunk[time], lines), columns, min(file.tell() / size, 1.0))
        except UnicodeDecodeError as error:
            raise self._not_utf8() from error
        except pd.errors.ParserError as error:
            raise DataFileError(
                f"the file is not CSV as its header has it ({str(error).rsplit('error: ', 1)[-1].strip()})",
                where=shown(self._path),
                fix="every line needs as many fields as the header",
            ) from error
        if first_line == 2:
            raise DataFileError("the data file has a header and no rows", where=shown(self._path), fix="export again with data")


class _Parquet:
    """A Parquet file, read batch by batch."""

    def __init__(self, path: Place) -> None:
        self._path = path
        self.said: tuple[str, ...] = ()
        try:
            self._file = pq.ParquetFile(path if not is_url(path) else open_binary(path))
        except (pa.ArrowException, OSError) as error:
            raise DataFileError(
                "this Parquet file is damaged or cut off", where=shown(path), fix="export or copy it again, whole"
            ) from error
        self.names = list(self._file.schema_arrow.names)

    def pieces(self, time: str, wanted: list[str]) -> Iterator[Piece]:
        rows = self._file.metadata.num_rows
        if rows == 0:
            raise DataFileError("the data file has no rows", where=shown(self._path), fix="export again with data")
        reader = TimeReader(self._path, "row")
        first = 1
        try:
            for batch in self._file.iter_batches(batch_size=ROWS, columns=[time, *wanted]):
                frame = batch.to_pandas()
                numbers = first + np.arange(len(frame))
                first += len(frame)
                columns = {name: _numbers(frame[name], numbers, name, self._path, "row") for name in wanted}
                if len(frame):
                    yield Piece(reader.read(frame[time], numbers), columns, (first - 1) / rows)
        except (pa.ArrowException, OSError) as error:
            raise DataFileError(
                "this Parquet file is damaged",
                where=f"{shown(self._path)}, after row {first - 1}",
                fix="export or copy it again, whole",
            ) from error


def _numbers(column: pd.Series, lines: NDArray[np.int64], name: str, path: Place, unit: str) -> NDArray[np.float64]:
    """A column as float64: bits 0 and 1, NaN where there is nothing or nothing finite; text is an error."""
    if pd.api.types.is_bool_dtype(column.dtype) or pd.api.types.is_numeric_dtype(column.dtype):
        values = column.to_numpy(dtype=np.float64, na_value=np.nan)
    else:
        text = column.astype("string").str.strip()
        numbers = pd.to_numeric(text.str.lower().map(_BITS).astype("Float64").fillna(pd.to_numeric(text, errors="coerce")))
        values = numbers.to_numpy(dtype=np.float64, na_value=np.nan)
        wrong = np.isnan(values) & (text.notna() & (text != "")).to_numpy(dtype=bool)
        if wrong.any():
            place = int(np.flatnonzero(wrong)[0])
            raise DataFileError(
                f"{str(text.iloc[place])[:40]!r} is not a number",
                where=f"{shown(path)}, {unit} {lines[place]}, column {name!r}",
                fix=_number_fix(str(text.iloc[place])),
            )
    return np.where(np.isfinite(values), values, np.nan)


def _number_fix(text: str) -> str:
    if "," in text and text.replace(",", "").replace(".", "").replace("-", "").isdigit():
        return "write numbers with a decimal point and without grouping"
    return "leave the field empty where there is no reading (bits: true, false, 1, 0)"
