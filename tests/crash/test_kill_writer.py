"""kill -9 of the writing process: nothing acknowledged is lost, nothing doubled, nothing damaged.

A kill shows the death of a process; the loss of power, where the cache of the disk goes too, is not shown here.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import sqlite3
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from checks.samples import join
from collector.clock import SystemClock
from collector.history.sqlite import SEAL_AFTER_S, open_store
from tests.collector.history.recorded import DAY_S, LOOPS, MIDNIGHT, assert_same, terminal
from tests.crash.writer import append_for_ever, opened, rows, seal_once

pytestmark = pytest.mark.crash

APPEND_KILLS, SEAL_KILLS = 20, 5
SEED = int(os.environ.get("TALLYWIRE_TEST_SEED", random.SystemRandom().randrange(2**32)))


def killed(work: Callable[..., None], folder: Path, at: float, after: int) -> list[Any]:
    """What a process told before it was killed, which is at once after it told so much (or ended)."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.crash.writer"])
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=work, args=(folder, at, there))
    process.start()
    there.close()
    told = _read(here, after)
    process.kill()
    told += _read(here, 10**9)
    process.join()
    here.close()
    process.close()
    return told


def _read(pipe: Connection, most: int) -> list[Any]:
    told: list[Any] = []
    while len(told) < most:
        try:
            told.append(pipe.recv())
        except (EOFError, OSError):
            break
    return told


def assert_whole(folder: Path) -> None:
    for path in folder.rglob("*.db"):
        connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)], path.name
        connection.close()


def stored_until(folder: Path, begin: int) -> int:
    """End of what is stored; every loop holds every second from `begin` on once, with its own values."""
    store = open_store(folder, terminal(), clock=SystemClock(), read_only=True)
    ends = set()
    for loop in LOOPS:
        found = join(list(store.scan(loop, begin, begin + 10 * DAY_S)))
        assert_same(found, rows(loop, begin, len(found)))
        ends.add(begin + len(found))
    store.close()
    assert len(ends) == 1, "a second of some loops only"
    return ends.pop()


def test_killed_appends_lose_nothing_acknowledged(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    draw = random.Random(SEED)
    folder, begin = tmp_path / "data", MIDNIGHT + DAY_S - 400
    opened(folder).close()
    end, acknowledged = begin, 0
    for number in range(APPEND_KILLS):
        told = killed(append_for_ever, folder, end, draw.randrange(0, 120))
        acknowledged += len(told)
        assert told == list(range(end, end + len(told)))
        assert_whole(folder)
        now = stored_until(folder, begin) if acknowledged else end
        print(f"kill {number}: {len(told)} seconds acknowledged, {now - end} stored")
        assert len(told) <= now - end <= len(told) + 1
        end = now
    assert acknowledged > 100
    store = opened(folder)
    assert store.append([rows(loop, begin, end - begin) for loop in LOOPS]) == 0
    store.close()


def test_killed_seals_double_and_lose_nothing(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    draw = random.Random(SEED + 1)
    folder, begin, days = tmp_path / "data", MIDNIGHT + DAY_S - 300, 5
    store = opened(folder)
    whole = {loop: rows(loop, begin, 300 + days * DAY_S)[slice(None, None, 289)] for loop in LOOPS}
    store.append(list(whole.values()))
    store.close()
    now = begin + (days + 2) * DAY_S + SEAL_AFTER_S

    def stored() -> None:
        reader = open_store(folder, terminal(), clock=SystemClock(), read_only=True)
        for loop, part in whole.items():
            found = join(list(reader.scan(loop, begin, int(now))))
            assert_same(found, part)
            assert np.all(np.diff(found.time_s) > 0)
        reader.close()

    for number in range(SEAL_KILLS):
        told = killed(seal_once, folder, now, draw.randrange(1, 30))
        print(f"kill {number}: at {told[-1] if told else 'the start'}, {len(told)} steps")
        assert_whole(folder)
        stored()
    store = opened(folder)
    store.seal(now)
    store.close()
    stored()
    assert list((folder / "hot").iterdir()) == []
    assert len(list((folder / "archive").rglob("*.*"))) == (days + 1) * len(LOOPS)
