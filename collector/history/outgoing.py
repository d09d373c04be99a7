"""Samples on their way out: CSV or Parquet in the contract of replay, so that what goes out can come in again.

The name of every column says the unit of its numbers, which are those of the history, whatever the site file declares.
"""

from __future__ import annotations

import csv
import math
import os
import secrets
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from checks.samples import BAD, GOOD, Samples
from collector.replay.columns import FLAGS, QUALITY, TIME
from collector.replay.units import with_unit
from config.errors import StoreError

Scan = Callable[[], Iterable[Samples]]
"""The samples of one loop from the begin, each time that it is called."""


def write_csv(path: Path, scan: Scan, roles: Sequence[str]) -> int:
    """Write samples of one loop as CSV; returns the rows, and writes no file where there are none.

    A reading that is bad is empty; a role whose readings are not all good has a column with their quality. A file that is there
    is replaced when the new one is whole. Raises StoreError where the disk refuses.
    """
    doubted = _doubted(scan(), roles)
    rows = 0
    with _whole(path) as temporary:
        with temporary.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            for samples in scan():
                if not rows:
                    writer.writerow(_header(samples.loop, roles, doubted))
                writer.writerows(_rows(samples, roles, doubted))
                rows += len(samples)
            _to_disk(file.fileno(), file.flush)
        if not rows:
            temporary.unlink()
    return rows


def write_parquet(path: Path, scan: Scan, roles: Sequence[str]) -> int:
    """Write samples of one loop as Parquet with qualities; the same rules as for CSV."""
    rows = 0
    with _whole(path) as temporary:
        writer: pq.ParquetWriter | None = None
        with temporary.open("wb") as file:
            try:
                for samples in scan():
                    table = _table(samples, roles)
                    writer = writer or pq.ParquetWriter(file, table.schema, compression="zstd")
                    writer.write_table(table)
                    rows += len(samples)
            finally:
                if writer is not None:
                    writer.close()
            _to_disk(file.fileno(), file.flush)
        if not rows:
            temporary.unlink()
    return rows


@contextmanager
def _whole(path: Path) -> Iterator[Path]:
    """A name to write under beside the file; it becomes the file at the end, unless something went wrong or it has gone."""
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.tmp")
    try:
        yield temporary
        if temporary.exists():
            temporary.replace(path)
    except OSError as error:
        raise StoreError(
            f"the export cannot be written ({error.strerror or error})", where=str(path),
            fix="make room, or name a file in a folder that can be written",
        ) from error  # fmt: skip
    finally:
        temporary.unlink(missing_ok=True)


def _to_disk(number: int, flush: Callable[[], None]) -> None:
    flush()
    os.fsync(number)


def _doubted(parts: Iterable[Samples], roles: Sequence[str]) -> frozenset[str]:
    """Roles of which a reading is not good."""
    found: set[str] = set()
    for samples in parts:
        found |= {role for role in roles if role in samples.quality and (samples.quality[role] != GOOD).any()}
    return frozenset(found)


def _header(loop: str, roles: Sequence[str], doubted: frozenset[str]) -> list[str]:
    names = [TIME]
    for role in roles:
        names += [with_unit(loop, role), *([f"{loop}.{role}.{QUALITY}"] if role in doubted else [])]
    return [*names, f"{loop}.{FLAGS}"]


def _rows(samples: Samples, roles: Sequence[str], doubted: frozenset[str]) -> Iterator[list[str]]:
    columns: list[list[str]] = []
    for role in roles:
        columns.append(_shown(samples, role))
        if role in doubted:
            columns.append([str(code) for code in samples.quality.get(role, np.full(len(samples), BAD)).tolist()])
    for row, time_s in enumerate(samples.time_s.tolist()):
        stamp = datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        yield [stamp, *(column[row] for column in columns), str(int(samples.flags[row]))]


def _shown(samples: Samples, role: str) -> list[str]:
    if role not in samples.values:
        return [""] * len(samples)
    good = samples.quality[role] < BAD
    return [
        repr(value) if ok and math.isfinite(value) else ""
        for value, ok in zip(samples.values[role].tolist(), good.tolist(), strict=True)
    ]


def _table(samples: Samples, roles: Sequence[str]) -> pa.Table:
    n, loop = len(samples), samples.loop
    columns: dict[str, pa.Array] = {
        TIME: pa.array(samples.time_s.astype("datetime64[s]").astype("datetime64[us]"), pa.timestamp("us", "UTC"))
    }
    for role in roles:
        columns[with_unit(loop, role)] = pa.array(samples.values.get(role, np.full(n, np.nan)))
        columns[f"{loop}.{role}.{QUALITY}"] = pa.array(samples.quality.get(role, np.full(n, BAD, np.uint8)))
    columns[f"{loop}.{FLAGS}"] = pa.array(samples.flags)
    return pa.table(columns)
