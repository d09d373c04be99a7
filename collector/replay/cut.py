"""A text file that ends in the middle of a line: a copy or an export that was broken off, or is still being written."""

from __future__ import annotations

import csv
import io
from typing import BinaryIO

LOOKED_AT = 64 * 1024
"""Bytes at the end of a file in which its last line is looked for."""


def whole_lines(file: BinaryIO, size: int, separator: str, columns: int) -> int:
    """How many bytes of a file of `size` bytes hold whole lines: all, unless its last line has no end and too few fields."""
    file.seek(max(0, size - LOOKED_AT))
    lines = file.read(LOOKED_AT).splitlines(keepends=True)
    if len(lines) < 2 or lines[-1].endswith((b"\n", b"\r")):
        return size
    fields = next(csv.reader([lines[-1].decode("utf-8", errors="replace")], delimiter=separator), [])
    return size - len(lines[-1]) if len(fields) < columns else size


class Until(io.RawIOBase):
    """The first `size` bytes of a file."""

    def __init__(self, file: BinaryIO, size: int) -> None:
        self._file, self._left = file, size

    def readable(self) -> bool:
        """It can be read."""
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        """Read what is left, at most as much as the buffer takes."""
        piece = self._file.read(min(len(buffer), self._left))
        buffer[: len(piece)] = piece
        self._left -= len(piece)
        return len(piece)
