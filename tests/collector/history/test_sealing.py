"""Sealing stopped at any of its steps, and rows that come while it runs: nothing doubled, nothing lost."""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from checks.samples import Samples, join
from collector.history import archive, hot, partitions, state
from collector.history.hot import HotDays
from collector.history.postgres import PostgresStore
from collector.history.postgres_hot import PostgresHot
from collector.history.postgres_state import PostgresState
from collector.history.sqlite import SEAL_AFTER_S, SqliteStore
from collector.history.tiers import TieredStore
from tests.collector.history.conftest import Opener
from tests.collector.history.recorded import DAY_S, LOOPS, MIDNIGHT, assert_same, recorded

OVER = MIDNIGHT + DAY_S + SEAL_AFTER_S


class Killed(BaseException):
    """Stands for the end of the process: nothing that handles errors may swallow it."""


def killed_at(monkeypatch: pytest.MonkeyPatch, owner: Any, name: str, call: int, *, after: bool) -> None:
    """The `call`-th call of a function ends the process, before or after it has done its work."""
    real, calls = getattr(owner, name), iter(range(1, 1000))

    def stopped(*args: Any, **kwargs: Any) -> Any:
        if next(calls) != call:
            return real(*args, **kwargs)
        if after:
            real(*args, **kwargs)
        raise Killed

    monkeypatch.setattr(owner, name, stopped)


STEPS: dict[str, tuple[Any, str]] = {
    "write": (pq, "write_table"),
    "flush": (os, "fsync"),
    "rename": (Path, "replace"),
    "folder": (archive, "_flush_folder"),
    "manifest": (state.StateDb, "transaction"),
    "entry": (SqliteStore, "put_sealed"),
    "release": (HotDays, "release"),
    "unlink": (hot, "_unlink"),
    "unlink-one": (Path, "unlink"),
}


SHARED_STEPS: dict[str, tuple[Any, str]] = {
    **{name: STEPS[name] for name in ("write", "flush", "rename", "folder")},
    "closing": (PostgresHot, "close_day"),
    "transaction": (PostgresState, "transaction"),
    "entry": (PostgresStore, "put_sealed"),
    "drop": (partitions, "drop"),
}
CASES = [
    *(("sqlite", step, call, after) for step in STEPS for call in (1, 3) for after in (False, True)),
    *(("postgres", step, call, True) for step in SHARED_STEPS for call in ((1, 3, 7) if step == "transaction" else (1,))),
]


@pytest.mark.parametrize(("backend", "step", "call", "after"), CASES, indirect=["backend"])
def test_seal_stopped_at_a_step_neither_doubles_nor_loses(
    backend: str, step: str, call: int, after: bool, opened: Opener, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    store = opened()
    parts = {loop: recorded(loop, rows=40) for loop in LOOPS}
    assert store.append(list(parts.values())) == 120
    with monkeypatch.context() as patch:
        killed_at(patch, *(STEPS if backend == "sqlite" else SHARED_STEPS)[step], call, after=after)
        try:
            store.seal(OVER)
        except Killed:
            print(f"stopped {'after' if after else 'before'} call {call} of {step}")
    for again in (opened(read_only=True), reopened(store, opened)):
        for loop, part in parts.items():
            assert_same(join(list(again.scan(loop, MIDNIGHT, OVER))), part)
            assert again.extent(loop) == (MIDNIGHT, MIDNIGHT + 40)
    again.append([part[slice(5, 30)] for part in parts.values()])
    again.seal(OVER)
    for loop, part in parts.items():
        assert_same(join(list(again.scan(loop, MIDNIGHT, OVER))), part)
    assert again.hot_days() == []
    assert len(list((tmp_path / "data" / "archive").rglob("*.*"))) == 3


def reopened(store: TieredStore, opened: Opener) -> TieredStore:
    """The store as the next start of the service finds it."""
    store.close()
    return opened()


def test_rows_that_come_while_their_day_is_sealed_are_refused_not_lost_silently(
    opened: Opener, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = opened()
    part, late, other = recorded(rows=50), recorded(begin=MIDNIGHT + 50, rows=5), recorded("TB-08", rows=7)
    store.append([part])
    taken: list[int] = []
    real: Callable[[Path, Samples], archive.Sealed] = archive.write

    def during(path: Path, samples: Samples) -> archive.Sealed:
        if not taken:
            taken.append(store.append([late]))
            taken.append(store.append([other]))
        return real(path, samples)

    monkeypatch.setattr(archive, "write", during)
    assert store.seal(OVER) == 2
    assert taken == [0, 7]
    assert_same(join(list(store.scan("TB-07", MIDNIGHT, OVER))), part)
    assert_same(join(list(store.scan("TB-08", MIDNIGHT, OVER))), other)


def test_reader_that_races_the_removal_gets_the_day_from_the_archive(embedded: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    store, reader = embedded(), embedded(read_only=True)
    part = recorded(rows=50)
    store.append([part])
    real, raced = Path.exists, threading.Event()

    def exists(path: Path) -> bool:
        found = real(path)
        if path.suffix == ".db" and path.parent.name == "hot" and found and not raced.is_set():
            raced.set()
            store.seal(OVER)
        return found

    monkeypatch.setattr(Path, "exists", exists)
    assert_same(join(list(reader.scan("TB-07", MIDNIGHT, OVER))), part)
    assert raced.is_set()


def test_appends_scans_and_seals_from_three_threads(opened: Opener) -> None:
    store = opened()
    whole = {day: recorded(begin=MIDNIGHT + day * DAY_S, rows=60, seed=day) for day in range(6)}
    failures: list[BaseException] = []
    done = threading.Event()

    def guarded(work: Callable[[], None]) -> Callable[[], None]:
        def run() -> None:
            try:
                work()
            except BaseException as error:
                failures.append(error)
                raise

        return run

    def sealing() -> None:
        while not done.is_set():
            store.seal(OVER + 4 * DAY_S)

    def scanning() -> None:
        while not done.is_set():
            times = [int(second) for part in store.scan("TB-07", MIDNIGHT, MIDNIGHT + 6 * DAY_S) for second in part.time_s]
            assert times == sorted(set(times))

    threads = [threading.Thread(target=guarded(work)) for work in (sealing, scanning)]
    for thread in threads:
        thread.start()
    taken = {day: store.append([part]) for day, part in whole.items()}
    done.set()
    for thread in threads:
        thread.join()
    assert failures == []
    assert taken == dict.fromkeys(range(6), 60)
    assert_same(join(list(store.scan("TB-07", MIDNIGHT, MIDNIGHT + 6 * DAY_S))), join(list(whole.values())))


def test_file_without_tables_of_a_past_day_is_swept_away(embedded: Opener, tmp_path: Path) -> None:
    store = embedded()
    empty = tmp_path / "data" / "hot" / "2026-07-16.db"
    empty.touch()
    assert store.seal(OVER) == 0
    assert not empty.exists()


@pytest.mark.parametrize("past", [True, False])
def test_file_that_a_kill_left_half_made_holds_nothing_and_is_made_anew(embedded: Opener, tmp_path: Path, past: bool) -> None:
    """Until the write-ahead log is on, a new file has a journal; a reader may not roll it back, and the service must start."""
    made, folder = tmp_path / "made.db", tmp_path / "data" / "hot"
    folder.mkdir(parents=True)
    half = folder / "2026-07-16.db"
    connection = sqlite3.connect(made, isolation_level=None)
    connection.executescript("CREATE TABLE filler(x); PRAGMA cache_size=1; BEGIN; ")
    connection.executemany("INSERT INTO filler VALUES (?)", [("x" * 500,)] * 200)
    for ending in ("", "-journal"):
        half.with_name(half.name + ending).write_bytes(made.with_name(made.name + ending).read_bytes())
    connection.close()
    store = embedded()
    assert list(store.scan("TB-07", MIDNIGHT, OVER)) == []
    if past:
        assert store.seal(OVER) == 0
        assert list(folder.iterdir()) == []
    else:
        part = recorded(rows=5)
        assert store.append([part]) == 5
        assert_same(join(list(store.scan("TB-07", MIDNIGHT, OVER))), part)
