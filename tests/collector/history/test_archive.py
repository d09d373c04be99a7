from __future__ import annotations

import hashlib
import math
import os
import random
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from checks.samples import Samples
from collector.history import archive
from config.errors import StoreError
from tests.collector.history.recorded import MIDNIGHT, assert_same, recorded


@pytest.mark.parametrize("step_s", [1, 5])
def test_loop_day_comes_back_to_the_byte(tmp_path: Path, step_s: int) -> None:
    part = recorded(rows=3000, step_s=step_s)
    path = tmp_path / "TB-07" / "2026-07-16.parquet"
    sealed = archive.write(path, part)
    assert (sealed.rows, sealed.first_s, sealed.last_s) == (3000, MIDNIGHT, MIDNIGHT + 3000 * step_s)
    assert sealed.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert_same(archive.read(path, 0, 2**40), part)
    assert_same(archive.read(path, MIDNIGHT + 100 * step_s, MIDNIGHT + 200 * step_s), part[slice(100, 200)])
    assert archive.read(path, 0, MIDNIGHT) is None
    assert [item.name for item in path.parent.iterdir()] == [path.name]


STILL = {"none": math.nan, "negative": -0.0, "setting": 420.0}


def still(rows: int = 3000) -> Samples:
    """Columns that do not move beside one that does, and one that moves in its sign alone."""
    seconds = np.arange(rows)
    values = {role: np.full(rows, value) for role, value in STILL.items()}
    values |= {"flow": 0.1 * seconds, "signs": np.where(seconds == 7, -0.0, 0.0)}
    return Samples(
        loop="TB-07", step_s=1, time_s=MIDNIGHT + seconds, values=values, flags=np.zeros(rows, np.uint8),
        quality={role: np.full(rows, 2 if role == "none" else 0, np.uint8) for role in values},
    )  # fmt: skip


def test_columns_that_stand_still_come_back_to_the_bit_without_being_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, part = tmp_path / "day.parquet", still()
    archive.write(path, part)
    asked: list[str] = []
    whole = pq.ParquetFile.read

    def read(self: pq.ParquetFile, columns: list[str], **options: bool) -> pa.Table:
        asked.extend(columns)
        return whole(self, columns, **options)

    monkeypatch.setattr(pq.ParquetFile, "read", read)
    for begin, end in ((0, 2**40), (MIDNIGHT + 5, MIDNIGHT + 10)):
        back = archive.read(path, begin, end)
        assert back is not None
        rows = slice(max(begin - MIDNIGHT, 0), min(end - MIDNIGHT, 3000))
        for role, values in part.values.items():
            np.testing.assert_array_equal(back.values[role].view(np.uint64), values[rows].view(np.uint64), role)
            np.testing.assert_array_equal(back.quality[role], part.quality[role][rows])
            assert [column.dtype.str for column in (back.values[role], back.quality[role])] == ["<f8", "|u1"]
    assert set(asked) == {"time_s", "v:flow", "v:signs"}


def test_file_that_says_nothing_of_what_stands_is_read_whole(tmp_path: Path) -> None:
    path, part = tmp_path / "day.parquet", still()
    archive.write(path, part)
    table = pq.read_table(path)
    kept = {key: value for key, value in table.schema.metadata.items() if key != b"still"}
    pq.write_table(table.replace_schema_metadata(kept), path)
    assert_same(archive.read(path, 0, 2**40), part)


def test_other_programs_find_a_plain_table_of_few_bytes(tmp_path: Path) -> None:
    path = tmp_path / "day.parquet"
    archive.write(path, recorded(rows=86_400))
    table = pq.read_metadata(path)
    assert table.num_row_groups == 1
    assert table.row_group(0).column(0).compression == "ZSTD"
    assert pq.read_schema(path).names[:3] == ["time_s", "flags", "v:flow"]


def test_file_that_fails_on_the_way_leaves_the_old_one_and_no_rubbish(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "day.parquet"
    archive.write(path, recorded(rows=10))
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", refuse)
        with pytest.raises(OSError, match="no space"):
            archive.write(path, recorded(rows=20))
    assert_same(archive.read(path, 0, 2**40), recorded(rows=10))
    assert [item.name for item in tmp_path.iterdir()] == [path.name]


def refuse(handle: int) -> None:
    raise OSError(28, "no space left")


@pytest.mark.parametrize("content", [b"", b"PAR1", b"PAR1" + b"\x00" * 500 + b"PAR1"])
def test_damaged_file_is_one_clear_error(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "day.parquet"
    path.write_bytes(content)
    with pytest.raises(StoreError, match="damaged"):
        archive.read(path, 0, 1)


def test_flipped_bit_is_an_error_and_never_another_number(tmp_path: Path) -> None:
    """Forty bits of the pages of a day and forty of its footer, drawn with seed 11, are flipped one at a time; only what is not read
    may stay unnoticed."""
    path, part = tmp_path / "day.parquet", recorded(rows=3000)
    archive.write(path, part)
    whole, draw = path.read_bytes(), random.Random(11)
    found = 0
    for number in range(80):
        content = bytearray(whole)
        content[draw.randrange(4, len(whole) - 8) if number < 40 else -draw.randrange(9, 2000)] ^= 1 << draw.randrange(8)
        path.write_bytes(bytes(content))
        try:
            assert_same(archive.read(path, 0, 2**40), part)
        except StoreError:
            found += 1
    assert found > 40
