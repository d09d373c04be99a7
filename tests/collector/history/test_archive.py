from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pyarrow.parquet as pq
import pytest

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
