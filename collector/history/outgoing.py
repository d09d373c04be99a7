"""Samples on their way out: CSV or Parquet in the contract of replay, so that what goes out can come in again."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from checks.samples import BAD, Samples
from config.errors import StoreError


def write_csv(path: Path, parts: Iterable[Samples], roles: Sequence[str]) -> int:
    """Write samples of one loop as CSV, bad readings empty; returns the rows. Raises StoreError where the disk refuses."""
    rows = 0
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            named = False
            for samples in parts:
                if not named:
                    writer.writerow(["time", *(f"{samples.loop}.{role}" for role in roles), f"{samples.loop}.flags"])
                    named = True
                writer.writerows(_rows(samples, roles))
                rows += len(samples)
    except OSError as error:
        raise StoreError(
            f"the export cannot be written ({error.strerror or error})", where=str(path), fix="name another file"
        ) from error
    return rows


def write_parquet(path: Path, parts: Iterable[Samples], roles: Sequence[str]) -> int:
    """Write samples of one loop as Parquet with qualities; returns the rows. Raises StoreError where the disk refuses."""
    writer: pq.ParquetWriter | None = None
    rows = 0
    try:
        for samples in parts:
            table = _table(samples, roles)
            writer = writer or pq.ParquetWriter(path, table.schema, compression="zstd")
            writer.write_table(table)
            rows += len(samples)
    except OSError as error:
        raise StoreError(
            f"the export cannot be written ({error.strerror or error})", where=str(path), fix="name another file"
        ) from error
    finally:
        if writer is not None:
            writer.close()
    return rows


def _rows(samples: Samples, roles: Sequence[str]) -> Iterator[list[str]]:
    columns = [_shown(samples, role) for role in roles]
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
    n = len(samples)
    columns: dict[str, pa.Array] = {
        "time": pa.array(samples.time_s.astype("datetime64[s]").astype("datetime64[us]"), pa.timestamp("us", "UTC"))
    }
    for role in roles:
        columns[f"{samples.loop}.{role}"] = pa.array(samples.values.get(role, np.full(n, np.nan)))
        columns[f"{samples.loop}.{role}.quality"] = pa.array(samples.quality.get(role, np.full(n, BAD, np.uint8)))
    columns[f"{samples.loop}.flags"] = pa.array(samples.flags)
    return pa.table(columns)
