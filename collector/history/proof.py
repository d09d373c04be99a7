"""Is the history whole? Every sealed day against its checksum and its rows, every database against itself."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import sqlalchemy as sa

from collector.history.layout import Layout, address, day_name
from collector.history.state import StateDb
from collector.history.tables import MANIFEST

PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class Damage:
    """One thing that is not as it was written: the file, what is wrong, and what that means."""

    path: Path
    what: str
    means: str


@dataclass(frozen=True, slots=True)
class Proof:
    """What was looked at, and what is damaged."""

    days: int
    rows: int
    databases: int
    damages: tuple[Damage, ...]


def prove(layout: Layout, state: StateDb, progress: Callable[[float], None] = lambda done: None) -> Proof:
    """Read everything once; nothing is changed. `progress` is told the fraction that is done."""
    with state.transaction() as connection:
        sealed = connection.execute(sa.select(MANIFEST).order_by(MANIFEST.c.day, MANIFEST.c.loop)).all()
    damages: list[Damage] = []
    rows = 0
    for place, row in enumerate(sealed, 1):
        path = layout.archive(row.loop, row.day)
        found = list(_of_day(path, row.sha256, row.rows, f"{row.loop} on {day_name(row.day)}"))
        if found and (now := _entry(state, row.loop, row.day)) != (row.sha256, row.rows):
            # a service that runs dropped the day, or wrote it anew, while it was read
            found = [] if now is None else list(_of_day(path, *now, f"{row.loop} on {day_name(row.day)}"))
        damages += found
        rows += 0 if found else int(row.rows)
        progress(place / (len(sealed) + 1))
    files = [path for path in (layout.state, *map(layout.hot, layout.hot_days())) if path.exists()]
    for path in files:
        damages += _of_database(path)
    progress(1.0)
    return Proof(days=len(sealed), rows=rows, databases=len(files), damages=tuple(damages))


def _entry(state: StateDb, loop: str, day: int) -> tuple[str, int] | None:
    """What the manifest says of a day now: checksum and rows; None where it was dropped."""
    wanted = sa.select(MANIFEST.c.sha256, MANIFEST.c.rows).where(MANIFEST.c.loop == loop, MANIFEST.c.day == day)
    with state.transaction() as connection:
        row = connection.execute(wanted).one_or_none()
    return None if row is None else (str(row.sha256), int(row.rows))


def _of_day(path: Path, sha256: str, rows: int, what: str) -> Iterator[Damage]:
    means = f"the samples of {what} are lost; trends of that day come from the rollups"
    if not path.exists():
        yield Damage(path, "the file is not there", means)
        return
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while piece := file.read(PIECE):
                digest.update(piece)
        if digest.hexdigest() != sha256:
            yield Damage(path, "its checksum is another one: it was changed or damaged after it was sealed", means)
            return
        if pq.ParquetFile(path).metadata.num_rows != rows:
            yield Damage(path, "it holds another number of rows than was sealed", means)
    except (OSError, pa.ArrowException) as error:
        yield Damage(path, f"it cannot be read ({str(error).splitlines()[0]})", means)


def _of_database(path: Path) -> Iterator[Damage]:
    """What SQLite itself finds wrong with a file."""
    try:
        connection = sqlite3.connect(address(path, read_only=True), uri=True)
        try:
            said = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(3)")]
        finally:
            connection.close()
    except sqlite3.Error as error:
        said = [str(error)]
    if said != ["ok"]:
        yield Damage(path, "; ".join(said)[:200], "stop the service and restore this file from a backup")
