"""The rows of an export as lists of text, whatever encoding or workbook they come from."""

from __future__ import annotations

import codecs
import csv
import io
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from config.errors import DataFileError

MOST_BYTES = 200 * 1024 * 1024
"""Largest file that is read."""
MOST_UNPACKED = 1024 * 1024 * 1024
"""Largest workbook once it is unpacked."""
MOST_FIELDS = 2000
LOOKED_AT = 256 * 1024
"""Bytes that are looked at to understand a text."""
SEPARATORS = (";", "\t", ",", "|")
CODEPAGE = "cp1252"
"""What text that is neither UTF-8 nor UTF-16 is read as: the usual page of office programs in western Europe."""

Row = list[str]


def refuse_too_large(path: Path) -> None:
    """Refuse a file that is not there, empty, compressed or larger than is read.

    Raises
    ------
    DataFileError
        With what to do about it.
    """
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(8)
    except OSError as error:
        raise DataFileError(
            f"the file cannot be read ({error.strerror or error})", where=str(path), fix="check the path and the permissions"
        ) from error
    if not size:
        raise DataFileError("the file is empty", where=str(path), fix="export again: a header and at least one row")
    if size > MOST_BYTES:
        raise DataFileError(
            f"the file has {size / 1e6:,.0f} MB, more than {MOST_BYTES / 1e6:,.0f} MB",
            where=str(path),
            fix="export fewer days or fewer tags, or use `tallywire replay` with a Parquet file",
        )
    if head[:2] == b"\x1f\x8b":
        raise DataFileError("the file is compressed", where=str(path), fix="unpack it first")
    if head[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1":
        raise DataFileError("this is a workbook of the old binary kind", where=str(path), fix="save it as XLSX or CSV")


def is_workbook(path: Path) -> bool:
    """Whether the file is a zip, as XLSX workbooks are."""
    with path.open("rb") as file:
        return file.read(4) == b"PK\x03\x04"


def encoding_of(path: Path) -> tuple[str, str]:
    """The encoding of a text file and how it is called among people."""
    with path.open("rb") as file:
        head = file.read(LOOKED_AT)
    for mark, name, words in (
        (codecs.BOM_UTF8, "utf-8-sig", "UTF-8 with a byte order mark"),
        (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
        (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
    ):
        if head.startswith(mark):
            return name, words
    odd, even = head[1::2].count(0), head[0::2].count(0)
    if max(odd, even) > 0.3 * len(head) / 2:
        return ("utf-16-le", "UTF-16 without a mark") if odd > even else ("utf-16-be", "UTF-16 without a mark")
    if b"\0" in head:
        raise DataFileError("this is neither text nor a workbook", where=str(path), fix="export as CSV or XLSX")
    if _is_utf8(path):
        return "utf-8", "UTF-8"
    return CODEPAGE, "Windows-1252 (neither UTF-8 nor UTF-16)"


def _is_utf8(path: Path) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        with path.open("rb") as file:
            while chunk := file.read(1 << 20):
                decoder.decode(chunk)
            decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


@contextmanager
def text_rows(path: Path, encoding: str, separator: str) -> Iterator[Iterator[Row]]:
    """The rows of a text file; a field may be quoted and hold line ends.

    Raises
    ------
    DataFileError
        A quoted field never ends.
    """
    with path.open(encoding=encoding, newline="", errors="replace") as file:
        yield _rows(file, separator, path)


def _rows(file: io.TextIOBase | Any, separator: str, path: Path) -> Iterator[Row]:
    reader = csv.reader(file, delimiter=separator)
    try:
        for row in reader:
            yield [field.strip().strip("\ufeff") for field in row]
    except csv.Error as error:
        raise DataFileError(
            f"line {reader.line_num} is not a line of fields ({error})",
            where=str(path),
            fix="look for a quotation mark that is not closed, or export again",
        ) from error


def workbook_sheets(path: Path) -> list[str]:
    """The names of the sheets of a workbook.

    Raises
    ------
    DataFileError
        The workbook is damaged, protected, or too large once unpacked.
    """
    with _workbook(path) as book:
        return list(book.sheetnames)


@contextmanager
def sheet_rows(path: Path, sheet: str) -> Iterator[Iterator[Row]]:
    """The rows of one sheet as text; dates as ISO 8601 without a zone, numbers with every digit."""
    with _workbook(path) as book:
        yield ([_cell(value) for value in row[:MOST_FIELDS]] for row in book[sheet].iter_rows(values_only=True))


@contextmanager
def _workbook(path: Path) -> Iterator[Any]:
    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        with zipfile.ZipFile(path) as packed:
            unpacked = sum(item.file_size for item in packed.infolist())
        if unpacked > MOST_UNPACKED:
            raise DataFileError(
                f"the workbook has {unpacked / 1e6:,.0f} MB once unpacked, more than {MOST_UNPACKED / 1e6:,.0f} MB",
                where=str(path),
                fix="save the sheet with the data alone, or as CSV",
            )
        book = load_workbook(path, read_only=True, data_only=True)
    except (zipfile.BadZipFile, InvalidFileException, KeyError, OSError, ValueError) as error:
        raise DataFileError(
            "this is not a workbook that can be read (damaged, protected, or an archive)",
            where=str(path),
            fix="open it and save it again as XLSX or CSV, without a password",
        ) from error
    try:
        yield book
    finally:
        book.close()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, datetime):
        return value.isoformat(sep=" ", timespec="milliseconds")
    if isinstance(value, date | time):
        return value.isoformat()
    return str(value).strip()
