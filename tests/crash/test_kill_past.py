"""The demo killed while its past is laid: nothing is damaged, the next start goes on, and the page is up before it is complete."""

from __future__ import annotations

import hashlib
import sqlite3
from pathlib import Path

import pytest

from tests.acceptance.live_demo import LiveDemo, live_demo
from tests.crash.killing import damaged

PATIENCE_S = 400.0
LOOP_DAYS = 6
"""Two whole days before the newest part of a history of four."""


def laid(demo: LiveDemo) -> int:
    """Loop-days laid in this run."""
    said = [line for line in demo.lines if line.startswith("laying down history: ")]
    return int(said[-1].split()[3]) if said else 0


def manifest(data: Path) -> dict[tuple[str, int], str]:
    connection = sqlite3.connect(f"file:{data / 'state.db'}?mode=ro", uri=True)
    rows = connection.execute("SELECT loop, day, sha256 FROM manifest").fetchall()
    connection.close()
    return {(loop, day): sha256 for loop, day, sha256 in rows}


def files(data: Path) -> list[str]:
    return sorted(hashlib.sha256(path.read_bytes()).hexdigest() for path in (data / "archive").glob("*/*.parquet"))


def count(data: Path, table: str) -> int:
    connection = sqlite3.connect(f"file:{data / 'state.db'}?mode=ro", uri=True)
    (found,) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
    connection.close()
    return int(found)


@pytest.mark.timeout(1800)
def test_killed_while_the_past_is_laid(tmp_path: Path) -> None:
    folder, data = tmp_path / "demo", tmp_path / "demo" / "data"
    with live_demo(folder, "--history", "4", within_s=PATIENCE_S) as demo:
        before = len(manifest(data))
        assert laid(demo) < LOOP_DAYS  # the page is up before the past is complete
        demo.wait("some of the past is laid", lambda: laid(demo) >= 2, PATIENCE_S)
        demo.process.kill()
        demo.process.wait(20.0)
    assert damaged(data) == []
    held = manifest(data)
    assert before + 2 <= len(held)
    assert set(held.values()) <= set(files(data))
    with live_demo(folder, "--history", "4", within_s=PATIENCE_S) as demo:
        demo.wait("the rest is laid", lambda: any("- done" in line for line in demo.lines), PATIENCE_S)
        told = next(line for line in demo.lines if "loop-days before" in line)
        assert f" {LOOP_DAYS} loop-days before" not in told
    assert damaged(data) == []
    whole = manifest(data)
    assert len(whole) == before + LOOP_DAYS
    assert {key: whole[key] for key in held} == held
    assert sorted(whole.values()) == files(data)
    assert list((folder / "past").glob("*.parquet")) == []
    assert count(data, "outbox") == 0
    with live_demo(folder, "--history", "4", within_s=PATIENCE_S) as demo:
        assert not any("loop-days before" in line for line in demo.lines)
