"""A disk that is full or read-only: one clear error, nothing damaged, and on as soon as there is space."""

from __future__ import annotations

import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from checks.samples import Samples, join
from collector.clock import ManualClock
from collector.history.sqlite import SEAL_AFTER_S, SqliteStore, open_store
from collector.history.store import Event
from config.errors import StoreError
from tests.collector.history.recorded import DAY_S, MIDNIGHT, assert_same, recorded, terminal

SMALL = 2 * 1024 * 1024
OVER = MIDNIGHT + DAY_S + SEAL_AFTER_S


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 2 MB. Mounting it needs the rights of root."""
    folder = tmp_path / "disk"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={SMALL}", "tmpfs", str(folder)], check=True)
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


def open_here(folder: Path, *, read_only: bool = False) -> SqliteStore:
    return open_store(folder / "data", terminal(), clock=ManualClock(), read_only=read_only)


def fill(folder: Path) -> Path:
    """Take what space there is."""
    ballast = folder / "ballast"
    with ballast.open("wb", buffering=0) as file:
        while True:
            try:
                file.write(b"\0" * 4096)
            except OSError:
                return ballast


def assert_whole(folder: Path) -> None:
    for path in folder.rglob("*.db"):
        connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        connection.close()


def told(store: SqliteStore, events: int) -> None:
    for number in range(events):
        store.add_event(Event(time=float(number), loop="", kind="test", text="x" * 1000))


def appended(store: SqliteStore) -> list[Samples]:
    """Rows until the disk refuses."""
    taken: list[Samples] = []
    for number in range(1000):
        part = recorded(begin=MIDNIGHT + 20 * number, rows=20)
        try:
            assert store.append([part]) == 20
        except StoreError:
            return taken
        taken.append(part)
    raise AssertionError("the disk never filled")


def test_append_on_a_full_disk_is_refused_and_goes_on_when_there_is_space(small_disk: Path) -> None:
    store = open_here(small_disk)
    assert store.append([recorded(begin=MIDNIGHT - 20, rows=20)]) == 20
    ballast = fill(small_disk)
    with ballast.open("r+b") as file:
        file.truncate(ballast.stat().st_size - 300_000)
    taken = appended(store)
    assert taken
    with pytest.raises(StoreError, match="samples cannot be written"):
        store.append([recorded(begin=MIDNIGHT + 20 * len(taken), rows=2000)])
    assert_same(join(list(store.scan("TB-07", MIDNIGHT, OVER))), join(taken))
    ballast.unlink()
    more = recorded("TB-08", begin=MIDNIGHT, rows=30)
    again = recorded(begin=MIDNIGHT + 20 * len(taken), rows=20)
    assert store.append([again, more]) == 50
    store.close()
    assert_whole(small_disk)
    store = open_here(small_disk)
    assert_same(join(list(store.scan("TB-07", MIDNIGHT, OVER))), join([*taken, again]))
    assert_same(join(list(store.scan("TB-08", MIDNIGHT, OVER))), more)
    store.close()


def test_seal_and_events_on_a_full_disk_are_refused_and_nothing_is_lost(small_disk: Path) -> None:
    store = open_here(small_disk)
    part = recorded(rows=1500)
    store.append([part])
    ballast = fill(small_disk)
    for _ in range(2):
        with pytest.raises(StoreError, match="cannot be sealed"):
            store.seal(OVER)
    with pytest.raises(StoreError, match="cannot be used"):
        told(store, 2000)
    written = len(store.events(0.0, 1e9))
    assert_same(join(list(store.scan("TB-07", MIDNIGHT, OVER))), part)
    assert list(small_disk.rglob("*.tmp")) == []
    ballast.unlink()
    assert store.seal(OVER) == 1
    store.add_event(Event(time=1e6, loop="", kind="test", text="space again"))
    assert len(store.events(0.0, 1e9)) == written + 1
    assert_same(join(list(store.scan("TB-07", MIDNIGHT, OVER))), part)
    store.close()
    assert_whole(small_disk)


def test_read_only_disk_is_one_clear_error_for_the_service(small_disk: Path) -> None:
    store = open_here(small_disk)
    store.append([recorded(rows=10)])
    store.close()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(StoreError, match="cannot be written"):
        open_here(small_disk)
    with pytest.raises(StoreError, match="cannot be made"):
        open_store(small_disk / "other", terminal(), clock=ManualClock())
    subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
    store = open_here(small_disk)
    assert_same(join(list(store.scan("TB-07", MIDNIGHT, OVER))), recorded(rows=10))
    store.close()


def test_history_on_a_read_only_disk_can_be_read(small_disk: Path) -> None:
    store = open_here(small_disk)
    part, sealed = recorded(begin=MIDNIGHT + DAY_S, rows=10), recorded(rows=10)
    store.append([sealed, part])
    store.seal(OVER)
    store.close()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    store = open_here(small_disk, read_only=True)
    assert_same(join(list(store.scan("TB-07", MIDNIGHT, OVER + DAY_S))), join([sealed, part]))
    store.close()
