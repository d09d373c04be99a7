"""What the processes do that the crash tests kill: they write into a history and tell each step through a pipe."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

from checks.samples import Samples
from collector.clock import SystemClock
from collector.history import archive, hot
from collector.history.sqlite import SqliteStore, open_store
from collector.history.state import StateDb
from tests.collector.history.recorded import LOOPS, terminal

TAGS = 12
"""Roles of a loop, so that a commit takes a few pages."""


def rows(loop: str, begin: int, count: int) -> Samples:
    """Rows whose every value follows from loop, role and second."""
    time_s = np.arange(begin, begin + count, dtype=np.int64)
    offset = sorted(LOOPS).index(loop) * 1e3
    return Samples(
        loop=loop, time_s=time_s, flags=np.zeros(count, np.uint8),
        values={f"tag_{number}": np.sin(time_s * (number + 1.0)) + offset for number in range(TAGS)},
        quality={f"tag_{number}": np.zeros(count, np.uint8) for number in range(TAGS)},
    )  # fmt: skip


def opened(folder: Path) -> SqliteStore:
    """The history of a folder."""
    return open_store(folder, terminal(), clock=SystemClock())


def append_for_ever(folder: Path, begin: int, told: Connection) -> None:
    """Append second after second of three loops, and tell each second once its commit has returned."""
    store = opened(folder)
    second = begin
    while True:
        store.append([rows(loop, second, 1) for loop in LOOPS])
        told.send(second)
        second += 1


def seal_once(folder: Path, now: float, told: Connection) -> None:
    """Seal what is over and tell each step before it is taken."""
    _telling(archive, "write", told)
    _telling(archive, "_flush_folder", told)
    _telling(hot, "_unlink", told)
    _telling(Path, "unlink", told)
    store = opened(folder)
    real = StateDb.transaction

    def transaction(self: StateDb) -> AbstractContextManager[Any]:
        told.send("transaction")
        return real(self)

    StateDb.transaction = transaction  # type: ignore[method-assign,assignment]
    store.seal(now)
    told.send("done")
    store.close()


def _telling(owner: Any, name: str, told: Connection) -> None:
    real: Callable[..., Any] = getattr(owner, name)

    def work(*args: Any, **kwargs: Any) -> Any:
        told.send(name)
        return real(*args, **kwargs)

    setattr(owner, name, work)
