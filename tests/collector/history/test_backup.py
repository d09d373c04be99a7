"""A backup is one moment of the history, whole or not at all; a restore checks first and never overwrites."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from collector.clock import ManualClock
from collector.history import backup, sqlite
from collector.history.backup import LABEL, Taken, labels, take_backup
from collector.history.layout import Layout
from collector.history.proof import prove
from collector.history.restore import restore
from collector.history.sqlite import SqliteStore
from config.errors import StoreError
from tests.collector.history.recorded import recorded, terminal

DAY_S = 86400
BEGIN = 1_800_000_000 // DAY_S * DAY_S
NOW = BEGIN + 2 * DAY_S + 3600.0


def opened(folder: Path) -> SqliteStore:
    return sqlite.open_store(folder, terminal(), clock=ManualClock(NOW))


@pytest.fixture
def layout(tmp_path: Path) -> Layout:
    """Two sealed days and a hot one of one loop."""
    store = opened(tmp_path / "data")
    for day in range(3):
        store.append([recorded("TB-07", BEGIN + day * DAY_S, 600)])
    store.seal(NOW)
    store.close()
    return Layout(tmp_path / "data")


def taken(layout: Layout, to: Path, *, now: float = NOW, keep: int | None = None, files: tuple[Path, ...] = ()) -> Taken:
    return take_backup(layout, "terminal", files, to, now=now, version="1", keep=keep)


def rows_of(folder: Path) -> list[int]:
    store = opened(folder)
    try:
        return [int(second) for part in store.scan("TB-07", 0, 2**40) for second in part.time_s]
    finally:
        store.close()


def test_what_comes_back_is_what_was_there(layout: Layout, tmp_path: Path) -> None:
    site = tmp_path / "site.yaml"
    site.write_text("schema: 1\n")
    (layout.root / "loop-check-TB-07.json").write_text("{}")
    done = taken(layout, tmp_path / "to", files=(site,))
    assert (len(done.label.days), done.new_days) == (2, 2)
    assert set(done.label.files) == {"state.db", "hot/2027-01-17.db", "site/site.yaml", "loop-check-TB-07.json"}
    assert done.folder.name == "20270117T010000Z"
    assert (done.folder / "state.db").stat().st_mode & 0o077 == 0, "hashes of passwords lie in it"
    back = Layout(tmp_path / "back")
    assert restore(tmp_path / "to", back, "terminal").stamp == done.folder.name
    assert rows_of(back.root) == rows_of(layout.root)
    assert (back.root / "loop-check-TB-07.json").read_text() == "{}"
    store = opened(back.root)
    assert prove(back, store.state).damages == ()
    store.close()
    assert sorted(path.name for path in back.root.iterdir()) == ["archive", "hot", "lock", "loop-check-TB-07.json", "state.db"]


def test_a_sealed_day_is_copied_once(layout: Layout, tmp_path: Path) -> None:
    taken(layout, tmp_path / "to")
    again = taken(layout, tmp_path / "to", now=NOW + 1)
    assert (len(again.label.days), again.new_days) == (2, 0)
    assert list(labels(tmp_path / "to")) == ["20270117T010000Z", "20270117T010001Z"]


def test_old_backups_go_with_the_days_that_only_they_need(layout: Layout, tmp_path: Path) -> None:
    to = tmp_path / "to"
    taken(layout, to)
    store = opened(layout.root)
    store.drop_day(("TB-07", BEGIN // DAY_S))
    store.close()
    last = taken(layout, to, now=NOW + 60, keep=1)
    assert list(labels(to)) == [last.folder.name]
    assert [path.name[:10] for path in to.glob("archive/*/*")] == ["2027-01-16"]
    restore(to, Layout(tmp_path / "back"), "terminal")
    assert rows_of(tmp_path / "back") == rows_of(layout.root)


def test_two_backups_of_one_second_are_not_mixed(layout: Layout, tmp_path: Path) -> None:
    taken(layout, tmp_path / "to")
    with pytest.raises(StoreError, match="this second"):
        taken(layout, tmp_path / "to")


def test_one_that_was_broken_off_is_none_and_goes_at_the_next(
    layout: Layout, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(path: Path) -> str:
        raise OSError(28, "No space left on device", str(path))

    with monkeypatch.context() as patch:
        patch.setattr(backup, "checksum", breaks)
        with pytest.raises(StoreError, match="No space left"):
            taken(layout, tmp_path / "to")
    assert labels(tmp_path / "to") == {}
    with pytest.raises(StoreError, match="no backup here"):
        restore(tmp_path / "to", Layout(tmp_path / "back"), "terminal")
    taken(layout, tmp_path / "to", now=NOW + 5)
    assert sorted(path.name for path in (tmp_path / "to").iterdir()) == ["20270117T010005Z", "archive"]


def test_a_day_that_retention_drops_meanwhile_is_left_out(
    layout: Layout, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = backup._copy_database

    def and_drop(source: Path, target: Path, *, may_go: bool = False) -> None:
        copy(source, target, may_go=may_go)
        if source == layout.state:
            store = opened(layout.root)
            store.drop_day(("TB-07", BEGIN // DAY_S))
            store.close()

    monkeypatch.setattr(backup, "_copy_database", and_drop)
    done = taken(layout, tmp_path / "to")
    assert [day.day for day in done.label.days] == [BEGIN // DAY_S + 1]
    restore(tmp_path / "to", Layout(tmp_path / "back"), "terminal")
    store = opened(tmp_path / "back")
    assert prove(Layout(tmp_path / "back"), store.state).damages == ()
    store.close()


def test_a_day_that_is_sealed_meanwhile_is_in_the_backup(
    layout: Layout, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = backup._copy_database

    def seal_first(source: Path, target: Path, *, may_go: bool = False) -> None:
        if source == layout.state:
            store = opened(layout.root)
            assert store.seal(NOW + DAY_S) == 1
            store.close()
        copy(source, target, may_go=may_go)

    before = rows_of(layout.root)
    monkeypatch.setattr(backup, "_copy_database", seal_first)
    assert len(taken(layout, tmp_path / "to").label.days) == 3
    restore(tmp_path / "to", Layout(tmp_path / "back"), "terminal")
    assert rows_of(tmp_path / "back") == before


@pytest.mark.parametrize("how", ["flip", "gone"])
def test_a_damaged_day_is_told_and_no_backup_is_made(layout: Layout, tmp_path: Path, how: str) -> None:
    path = layout.archive("TB-07", BEGIN // DAY_S)
    if how == "gone":
        path.unlink()
    else:
        path.write_bytes(bytes([path.read_bytes()[0] ^ 1]) + path.read_bytes()[1:])
    with pytest.raises(StoreError, match="damaged or missing"):
        taken(layout, tmp_path / "to")
    assert labels(tmp_path / "to") == {}


DAMAGES: dict[str, Callable[[Path, Taken], object]] = {
    "a sealed day": lambda to, done: next(to.glob("archive/*/*")).write_bytes(b"x"),
    "a day that is gone": lambda to, done: next(to.glob("archive/*/*")).unlink(),
    "the state": lambda to, done: (done.folder / "state.db").write_bytes(b"x"),
    "a hot day": lambda to, done: next((done.folder / "hot").iterdir()).unlink(),
}


@pytest.mark.parametrize("name", DAMAGES)
def test_a_damaged_backup_is_refused_before_anything_is_written(layout: Layout, tmp_path: Path, name: str) -> None:
    done = taken(layout, tmp_path / "to")
    DAMAGES[name](tmp_path / "to", done)
    with pytest.raises(StoreError, match="the backup is damaged"):
        restore(tmp_path / "to", Layout(tmp_path / "back"), "terminal")
    assert not (tmp_path / "back").exists()


def test_what_a_restore_refuses(layout: Layout, tmp_path: Path) -> None:
    done = taken(layout, tmp_path / "to")
    with pytest.raises(StoreError, match="there is a history here already"):
        restore(tmp_path / "to", layout, "terminal")
    with pytest.raises(StoreError, match="of the site 'terminal'"):
        restore(tmp_path / "to", Layout(tmp_path / "back"), "other")
    with pytest.raises(StoreError, match="there is no backup '2020'") as told:
        restore(tmp_path / "to", Layout(tmp_path / "back"), "terminal", "2020")
    assert done.folder.name in told.value.fix
    label = done.folder / LABEL
    label.write_text(json.dumps({**json.loads(label.read_text()), "format": 2}))
    with pytest.raises(StoreError, match="of kind 2"):
        restore(tmp_path / "to", Layout(tmp_path / "back"), "terminal")
    label.write_text("{}")
    with pytest.raises(StoreError, match="no label"):
        restore(tmp_path / "to", Layout(tmp_path / "back"), "terminal")


def test_a_restore_that_was_broken_off_can_be_done_again(layout: Layout, tmp_path: Path) -> None:
    taken(layout, tmp_path / "to")
    back = Layout(tmp_path / "back")
    back.make()
    (back.root / ".restoring").mkdir()
    (back.root / ".restoring" / "file").write_bytes(b"half")
    back.hot(BEGIN // DAY_S + 2).write_bytes(b"half")
    restore(tmp_path / "to", back, "terminal")
    assert rows_of(back.root) == rows_of(layout.root)


def test_every_backup_under_a_writer_is_a_prefix_of_what_was_written(layout: Layout, tmp_path: Path) -> None:
    """A writer appends second after second; each copy holds all that was there at one moment, without a gap."""
    store, stop, written = opened(layout.root), threading.Event(), [0]
    first = BEGIN + 2 * DAY_S + 600

    def write() -> None:
        while not stop.is_set():
            store.append([recorded("TB-07", first + written[0], 1)])
            written[0] += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        counts = []
        for number in range(5):
            before = written[0]
            done = taken(layout, tmp_path / "to", now=NOW + number)
            with sqlite3.connect(done.folder / "hot" / "2027-01-17.db") as copied:
                assert copied.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            copied.close()
            counts.append((before, done.folder.name))
    finally:
        stop.set()
        writer.join()
        store.close()
    assert counts[-1][0] > counts[0][0]
    for number, (before, stamp) in enumerate(counts):
        back = Layout(tmp_path / f"back-{number}")
        restore(tmp_path / "to", back, "terminal", stamp)
        seconds = np.array([second for second in rows_of(back.root) if second >= first])
        assert len(seconds) >= before
        assert np.array_equal(seconds, first + np.arange(len(seconds)))
