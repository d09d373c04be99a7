"""Rows of the lines of one loop, made once for each block and kept as long as the blocks are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from numpy.typing import NDArray

from checks.blocks import ARRAYS, Blocks
from checks.lines import Line, Rows, rows_of
from checks.ring import Ring
from checks.window import Window
from config.model import Loop

COLUMNS = tuple(item.name for item in fields(Rows) if item.name not in ("length_s", "step_s"))
MOST_LINES = 8
"""Lines that are kept; ranges that are read back make other lines where they change."""


class LineRows:
    """Keeps the rows of each line that is asked for, beside the ring of the blocks that they are made of.

    `shape` are blocks without rows, of the kind that the ring holds.
    """

    def __init__(self, loop: Loop, blocks: Ring, shape: Blocks) -> None:
        self._loop, self._blocks, self._shape = loop, blocks, shape
        self._lines: dict[Line, Ring] = {}
        self._begins: dict[Line, int] = {}

    def rows(self, line: Line, first: int, end: int) -> Rows:
        """The rows of a line for the blocks `first` to `end` (exclusive), counted from the first block that was ever kept."""
        ring = self._lines.get(line)
        if ring is None or self._begins[line] + ring.dropped > first:
            while len(self._lines) >= MOST_LINES and line not in self._lines:
                del self._lines[next(iter(self._lines))]
            ring = self._lines[line] = Ring(self._blocks.keep)
            self._begins[line] = first
        begin = self._begins[line]
        known = begin + ring.dropped + len(ring)
        if known < end:
            ring.append(self._made(line, known, begin < known))
        offset = begin + ring.dropped
        view: dict[str, NDArray[Any]] = {name: ring.column(name)[first - offset : end - offset] for name in COLUMNS}
        view["follows"] = view["follows"].copy()
        view["follows"][:1] = False
        return Rows(length_s=self._shape.length_s, step_s=self._shape.step_s, **view)

    def take(self, made: Mapping[Line, Rows]) -> None:
        """Take the rows of the newest blocks where they were made already; they go behind those that are kept of a line."""
        end = self._blocks.dropped + len(self._blocks)
        for line, rows in made.items():
            begin, ring = end - len(rows), self._lines.get(line)
            if ring is None and len(self._lines) < MOST_LINES:
                ring = self._lines[line] = Ring(self._blocks.keep)
                self._begins[line] = begin
            if ring is None or self._begins[line] + ring.dropped + len(ring) != begin:
                continue
            columns = {name: getattr(rows, name) for name in COLUMNS}
            starts = self._blocks.column("start_s")[-len(rows) - 1 :]
            if len(ring) and len(starts) > len(rows):
                columns["follows"] = columns["follows"].copy()
                columns["follows"][0] = starts[1] - starts[0] == rows.length_s
            ring.append(columns)

    def explain(self, first: int, end: int) -> None:
        """Take it that a categorical cause stood in the blocks `first` to `end` (exclusive)."""
        for line, ring in self._lines.items():
            offset = self._begins[line] + ring.dropped
            ring.column("steady")[max(first - offset, 0) : max(end - offset, 0)] = False

    def _made(self, line: Line, first: int, joined: bool) -> dict[str, NDArray[Any]]:
        """The rows of all blocks from `first` on; where the rows before them are kept, the first may follow the last of those."""
        place = first - self._blocks.dropped - joined
        arrays = {name: self._blocks.column(name)[place:] for name in ARRAYS}
        rows = rows_of(line, self._shape.with_arrays(arrays), self._loop)
        return {name: getattr(rows, name)[int(joined) :] for name in COLUMNS}


@dataclass(frozen=True, slots=True)
class KeptRows:
    """The rows that belong to the blocks of one window."""

    source: LineRows
    first: int
    end: int


def rows_in(window: Window, line: Line, newest: int | None = None) -> Rows:
    """The rows of a line in the blocks of a window, all of them or so many of the newest."""
    first = max(len(window.blocks) - newest, 0) if newest is not None else 0
    if window.line_rows is None:
        return rows_of(line, window.blocks[first:], window.loop)
    kept = window.line_rows
    return kept.source.rows(line, kept.first + first, kept.end)
