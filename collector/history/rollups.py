"""Merged blocks as rows of the state database: the statistics of a block as compressed bytes under a numbered layout."""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from checks.blocks import ARRAYS, RUNS, STATES, TOTALS, Blocks
from collector.history import hour_rows, trend_rows
from collector.history.statements import insert_or_keep, insert_or_replace
from collector.history.tables import LAYOUTS, ROLLUPS

BLOB_VERSION = 1
FIELDS = tuple(name for name in ARRAYS if name != "start_s")


def description(blocks: Blocks) -> str:
    """What the bytes of a row mean, as the text that names a layout."""
    return json.dumps(
        {
            "version": BLOB_VERSION, "step_s": blocks.step_s, "roles": blocks.roles, "pairs": blocks.pairs, "states": STATES,
            "totals": TOTALS, "runs": RUNS, "fields": {name: int(np.prod(getattr(blocks, name).shape[1:])) for name in FIELDS},
        }
    )  # fmt: skip


def add(connection: sa.Connection, blocks: Blocks) -> None:
    """Store rows; a row that is there already is replaced by one that covers at least as many seconds."""
    blocks = _not_less(connection, blocks)
    if not len(blocks):
        return
    insert(connection, blocks.loop, blocks.length_s, description(blocks), blocks.start_s.tolist(), packed(blocks))


def packed(blocks: Blocks, level: int = 6) -> list[bytes]:
    """The statistics of each row as the bytes that are stored; `level` is how hard they are compressed, 1 to 9."""
    flat = np.concatenate([getattr(blocks, name).reshape(len(blocks), -1) for name in FIELDS], axis=1)
    return [zlib.compress(row.tobytes(), level) for row in flat]


def insert(
    connection: sa.Connection, loop: str, length_s: int, text: str, starts: Sequence[int], statistics: Sequence[bytes]
) -> None:
    """Store rows as `packed` made them, in place of what is there; `text` is their `description`."""
    layout = connection.execute(sa.select(LAYOUTS.c.id).where(LAYOUTS.c.description == text)).scalar_one_or_none()
    if layout is None:
        insert_or_keep(connection, LAYOUTS, [{"description": text}])
        layout = connection.execute(sa.select(LAYOUTS.c.id).where(LAYOUTS.c.description == text)).scalar_one()
    rows = [
        {"loop": loop, "length_s": length_s, "start_s": start, "layout": layout, "statistics": data}
        for start, data in zip(starts, statistics, strict=True)
    ]
    if rows:
        insert_or_replace(connection, ROLLUPS, rows)
    if rows and length_s == hour_rows.HOUR_S:
        data = b"".join(zlib.decompress(one) for one in statistics)
        flat = np.frombuffer(data, np.float64).reshape(len(rows), -1)
        stored = Stored(json.loads(text), np.array(starts, np.int64), flat)
        hour_rows.add(connection, loop, stored)
        trend_rows.add(connection, loop, stored)


def _not_less(connection: sa.Connection, blocks: Blocks) -> Blocks:
    """Without the rows that cover fewer seconds than what is stored: the edges of an import, or of a start within a day."""
    stored = read(connection, blocks.loop, blocks.length_s, int(blocks.start_s[0]), int(blocks.start_s[-1]) + 1)
    covered: dict[int, float] = {}
    for part in stored:
        covered |= zip(part.start_s.tolist(), part.flat[:, part.columns("covered_s").start].tolist(), strict=True)
    before = np.array([covered.get(start, 0.0) for start in blocks.start_s.tolist()])
    keep = blocks.covered_s >= before
    return blocks if bool(keep.all()) else blocks.with_arrays({name: getattr(blocks, name)[keep] for name in ARRAYS})


@dataclass(frozen=True, slots=True)
class Stored:
    """Rows of one layout: starts [epoch s] and their statistics, shape (n, columns)."""

    layout: dict[str, Any]
    start_s: NDArray[np.int64]
    flat: NDArray[np.float64]

    def columns(self, name: str) -> slice:
        """Where a field lies."""
        first = 0
        for field, width in self.layout["fields"].items():
            if field == name:
                return slice(first, first + width)
            first += width
        raise KeyError(name)

    def role(self, statistic: str, role: str) -> NDArray[np.float64] | None:
        """A statistic of a role, shape (n,), None where the loop lacked the role."""
        roles: list[str] = self.layout["roles"]
        if role not in roles:
            return None
        out: NDArray[np.float64] = self.flat[:, self.columns(statistic).start + roles.index(role)]
        return out


def read(connection: sa.Connection, loop: str, length_s: int, begin: int, end: int) -> list[Stored]:
    """Rows of a time in order, in runs of one layout each."""
    begin, end = int(begin), int(end)  # SQLite would bind numpy integers as bytes
    rows = connection.execute(
        sa.select(ROLLUPS.c.start_s, ROLLUPS.c.layout, ROLLUPS.c.statistics)
        .where(ROLLUPS.c.loop == loop, ROLLUPS.c.length_s == length_s, ROLLUPS.c.start_s >= begin, ROLLUPS.c.start_s < end)
        .order_by(ROLLUPS.c.start_s)
    ).all()
    layouts = {
        row.id: json.loads(row.description)
        for row in connection.execute(sa.select(LAYOUTS).where(LAYOUTS.c.id.in_({row.layout for row in rows})))
    }
    out: list[Stored] = []
    first = 0
    for index in range(1, len(rows) + 1):
        if index == len(rows) or rows[index].layout != rows[first].layout:
            part = rows[first:index]
            data = b"".join(zlib.decompress(row.statistics) for row in part)
            flat = np.frombuffer(data, np.float64).reshape(len(part), -1)
            out.append(Stored(layouts[rows[first].layout], np.array([row.start_s for row in part], np.int64), flat))
            first = index
    return out


def blocks_of(stored: Stored, loop: str, length_s: int) -> Blocks:
    """Stored rows as blocks."""
    layout, n = stored.layout, len(stored.start_s)
    roles, pairs = tuple(layout["roles"]), tuple((a, b) for a, b in layout["pairs"])
    fields: dict[str, Any] = {}
    for name in FIELDS:
        part = stored.flat[:, stored.columns(name)]
        fields[name] = part[:, 0] if name in SINGLE else part.reshape(n, -1)
    return Blocks(
        loop=loop, length_s=length_s, step_s=layout["step_s"], start_s=stored.start_s, roles=roles, pairs=pairs, **fields
    )


SINGLE = ("covered_s", "own_t", "plc_own_t", "measured_s", "plc_measured_s")
"""Fields with one value a row."""
