"""One recorded loop-day made ready in a staging folder: the archive file, and the rollup rows as they are stored."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from checks.blocks import ARRAYS, Blocks
from checks.build import BlockBuilder
from checks.merge import TreeMerger
from checks.samples import join
from collector.history import archive
from collector.history.archive import Sealed
from collector.history.layout import DAY_S, day_name
from collector.history.rollups import description, packed
from collector.replay.importer import open_recording
from config.errors import DataFileError
from config.model import Site

FAST = 1
"""Compression of the rows: a third of the time of what the service does, a tenth more room."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidDay:
    """A loop-day that waits to be taken: its archive file, its rows, and what the manifest keeps."""

    loop: str
    day: int
    samples: Path
    rollups: Path
    sealed: Sealed


def prepare_day(site: Site, recorded: Path, loop: str, day: int, staging: Path, *, minutes: bool) -> LaidDay:
    """Read a recorded loop-day and make it ready. Rows before its midnight only settle its begin.

    With `minutes` False there are no rows by the minute: the day is older than they are kept.

    Raises
    ------
    DataFileError
        The file breaks its contract, or lacks the day.
    """
    recording = open_recording(site, recorded)
    parts = [batch.samples[loop] for batch in recording.batches() if loop in batch.samples]
    if not parts:
        raise DataFileError(f"the file holds nothing of {loop}", where=str(recorded))
    samples = join(parts)
    first, last = np.searchsorted(samples.time_s, [day * DAY_S, (day + 1) * DAY_S])
    if first == last:
        raise DataFileError(f"the file holds nothing of {day_name(day)}", where=str(recorded))
    builder, tree = BlockBuilder(site, loop, samples.step_s), TreeMerger()
    blocks = builder.push(samples)
    merged = [_from(part, day * DAY_S) for part in tree.push(blocks).values()]
    kept = [part for part in merged if minutes or part.length_s > 60]
    path = staging / f"{loop}-{day_name(day)}.parquet"
    rows = path.with_suffix(".rollups")
    sealed = archive.write(path, samples[slice(int(first), int(last))])
    _write_rows(rows, description(blocks), kept)
    return LaidDay(loop=loop, day=day, samples=path, rollups=rows, sealed=sealed)


def _from(blocks: Blocks, begin: int) -> Blocks:
    first = int(np.searchsorted(blocks.start_s, begin))
    return blocks.with_arrays({name: getattr(blocks, name)[first:] for name in ARRAYS})


def _write_rows(path: Path, text: str, parts: list[Blocks]) -> None:
    table = pa.table(
        {
            "length_s": pa.array([part.length_s for part in parts for _ in range(len(part))], pa.int64()),
            "start_s": pa.array([start for part in parts for start in part.start_s.tolist()], pa.int64()),
            "statistics": pa.array([row for part in parts if len(part) for row in packed(part, FAST)], pa.binary()),
        }
    )
    table = table.replace_schema_metadata({"description": text})
    pq.write_table(table, path, compression="none", use_dictionary=False, write_statistics=False)


def read_rows(path: Path) -> tuple[str, dict[int, tuple[list[int], list[bytes]]]]:
    """The description of the rows, and their starts and bytes by length."""
    table = pq.read_table(path)
    text = (table.schema.metadata or {})[b"description"].decode()
    out: dict[int, tuple[list[int], list[bytes]]] = {}
    columns = (table.column(name).to_pylist() for name in ("length_s", "start_s", "statistics"))
    for length_s, start_s, statistics in zip(*columns, strict=True):
        starts, rows = out.setdefault(length_s, ([], []))
        starts.append(start_s)
        rows.append(statistics)
    return text, out
