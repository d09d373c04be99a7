"""Sealed samples: one Parquet file a loop and UTC day, written so that a kill at any moment leaves a whole file or none.

Measured choice: zstd level 3, byte-stream split for the floats, dictionary for the quality codes, one row group a day. Most columns of
most days stand still (settings, bits, codes of good readings): the file says so of itself, and those are not decoded.

Every page carries its checksum, which is asked whenever it is read: without it 51 of 60 flipped bits were read as numbers; it costs
3 % of the reading.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from checks.samples import Samples
from collector.history.layout import day_number
from collector.replay.opening import Place, listed, name_of, open_binary, shown
from config.errors import StoreError

ARCHIVE_VERSION = 1
ROW_GROUP = 100_000
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}\.parquet")


@dataclass(frozen=True, slots=True)
class Sealed:
    """What the manifest keeps of an archive file."""

    rows: int
    first_s: int
    last_s: int
    sha256: str


def write(path: Path, samples: Samples) -> Sealed:
    """Write a loop-day: temporary name, flush to disk, check, rename, flush the folder. A file that is there is replaced.

    Raises
    ------
    OSError
        The disk refuses.
    StoreError
        The file does not hold what was written.
    """
    if not path.parent.exists():
        path.parent.mkdir(parents=True)
        _flush_folder(path.parent.parent)
    roles = list(samples.values)
    arrays: dict[str, pa.Array] = {"time_s": pa.array(samples.time_s), "flags": pa.array(samples.flags)}
    arrays |= {f"v:{role}": pa.array(samples.values[role]) for role in roles}
    arrays |= {f"q:{role}": pa.array(samples.quality[role]) for role in roles}
    metadata = {"version": str(ARCHIVE_VERSION), "loop": samples.loop, "step_s": str(samples.step_s)}
    metadata["still"] = json.dumps(_still(samples))
    table = pa.table(arrays).replace_schema_metadata(metadata)
    temporary = path.with_name(f"{path.stem}.{secrets.token_hex(4)}.tmp")
    encoding = {f"v:{role}": "BYTE_STREAM_SPLIT" for role in roles} | {"time_s": "DELTA_BINARY_PACKED"}
    try:
        with temporary.open("wb") as file:
            pq.write_table(
                table, file, compression="zstd", compression_level=3, row_group_size=ROW_GROUP,
                use_dictionary=[name for name in table.column_names if name.startswith("q:") or name == "flags"],
                column_encoding=encoding, write_statistics=["time_s"], write_page_checksum=True,
            )  # fmt: skip
            file.flush()
            os.fsync(file.fileno())
        rows = pq.read_metadata(temporary).num_rows
        if rows != len(samples):
            raise StoreError(f"an archive file holds {rows} rows of {len(samples)}", where=str(temporary))
        digest = hashlib.sha256(temporary.read_bytes()).hexdigest()
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)
    _flush_folder(path.parent)
    return Sealed(rows, int(samples.time_s[0]), int(samples.time_s[-1]) + samples.step_s, digest)


def read(path: Place, begin: int, end: int, only: str | None = None) -> Samples | None:
    """The rows of a file (a path, or a URL) in a time, None where there are none; `only` leaves out all roles but one.

    Columns may not be written to; one that stands still all day takes no room.

    Raises
    ------
    FileNotFoundError
        The file has gone since the manifest was asked.
    StoreError
        The file is damaged.
    """
    try:
        return _read(path, begin, end, only)
    except FileNotFoundError:
        raise
    except (OSError, ValueError, KeyError, pa.ArrowException) as error:
        raise StoreError(f"an archive file is damaged ({error})", where=shown(path), fix="restore it from a backup") from error


def _read(path: Place, begin: int, end: int, only: str | None) -> Samples | None:
    with open_binary(path) as raw, pq.ParquetFile(raw, page_checksum_verification=True) as file:
        metadata = {key.decode(): value.decode() for key, value in (file.schema_arrow.metadata or {}).items()}
        still: dict[str, float] = json.loads(metadata.get("still", "{}"))
        names = [name for name in file.schema_arrow.names if only is None or name[:2] not in ("v:", "q:") or name[2:] == only]
        table = file.read([name for name in names if name not in still], use_threads=False)
    time_s = _column(table, "time_s")
    first, last = np.searchsorted(time_s, [begin, end])
    if first == last:
        return None
    rows = slice(int(first), int(last))

    def column(name: str, kind: type[np.generic]) -> NDArray[Any]:
        if name in still:
            return np.broadcast_to(np.array(still[name]).astype(kind), rows.stop - rows.start)
        return _column(table, name)[rows].astype(kind, copy=False)

    roles = [name[2:] for name in names if name.startswith("v:")]
    return Samples(
        loop=metadata["loop"],
        step_s=int(metadata["step_s"]),
        time_s=time_s[rows].astype(np.int64, copy=False),
        values={role: column(f"v:{role}", np.float64) for role in roles},
        quality={role: column(f"q:{role}", np.uint8) for role in roles},
        flags=column("flags", np.uint8),
    )


def _still(samples: Samples) -> dict[str, float]:
    """The one value of each column that does not change by a bit, by the name of the column."""
    columns = {"flags": samples.flags} | {f"v:{role}": values for role, values in samples.values.items()}
    columns |= {f"q:{role}": codes for role, codes in samples.quality.items()}
    return {name: column[0].item() for name, column in columns.items() if len(column) and _stands(np.ascontiguousarray(column))}


def _stands(column: NDArray[Any]) -> bool:
    bits = column.view(np.dtype(f"u{column.itemsize}"))
    return bool((bits == bits[0]).all()) and (column[0] == column[0] or bits[0] == np.float64(np.nan).view(np.uint64))


def _column(table: pa.Table, name: str) -> NDArray[Any]:
    """A column where it lies, without a copy where it lies in one piece; it may not be written to."""
    chunks = table.column(name).chunks
    return np.asarray(chunks[0].to_numpy(zero_copy_only=False) if len(chunks) == 1 else table.column(name).to_numpy())


def days_of(folder: Place, loop: str) -> tuple[Place, ...]:
    """The files of a loop in a folder `LOOP/YYYY-MM-DD.parquet`, or below such a URL, oldest first. Raises DataFileError."""
    found = [place for place in listed(f"{str(folder).rstrip('/')}/{loop}/*.parquet") if _DAY.fullmatch(name_of(place))]
    return tuple(sorted(found, key=name_of))


def day_in(path: Place) -> int:
    """The UTC day that the name of an archive file says [days since 1970]."""
    return day_number(name_of(path).removesuffix(".parquet"))


def _flush_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
