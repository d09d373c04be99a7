"""A process that imports once and forks a child for each order on stdin; the children are there to be killed.

An order is a line of JSON: `work` names a function of `WORKS`, `step` the step at which the child kills itself (None: it runs
until somebody else does). A child writes `child PID`, then what its work has to say; the parent writes `gone STATUS` when the
child has ended.
"""

from __future__ import annotations

import asyncio
import functools
import json
import os
import signal
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa

from checks.samples import Samples
from collector.alerts.book import AlertBook
from collector.clock import SystemClock
from collector.delivery.message import Message
from collector.delivery.outbox import OutboxWorker, targets_of
from collector.delivery.target import Target
from collector.history import archive
from collector.history.bulk import import_samples
from collector.history.sqlite import SqliteStore, open_store
from collector.history.state import StateDb
from config.deliveries import WebhookDelivery
from config.model import Site
from tests.collector.alerts.raised import T0, change
from tests.collector.history.recorded import MIDNIGHT, terminal

SEALED_AT = MIDNIGHT + 2 * 86_400.0
ROWS_TO_SEAL = 300


def say(*words: object) -> None:
    """One line to whoever reads, in one write."""
    os.write(sys.stdout.fileno(), (" ".join(str(word) for word in words) + "\n").encode())


class Steps:
    """Counts steps and kills this process at one of them: before or behind a call that was made to count."""

    def __init__(self, fatal: int | None) -> None:
        self._fatal = fatal
        self._count = 0

    def step(self) -> None:
        """One step further."""
        if self._count == self._fatal:
            os.kill(os.getpid(), signal.SIGKILL)
        self._count += 1

    def count(self, owner: Any, name: str) -> None:
        """Make every call of a function two steps, one before and one behind it."""
        inner = getattr(owner, name)

        @functools.wraps(inner)
        def counted(*arguments: Any, **named: Any) -> Any:
            self.step()
            result = inner(*arguments, **named)
            self.step()
            return result

        setattr(owner, name, counted)


class CountedState(StateDb):
    """Every transaction is four steps: before it, in it, behind its statements, behind its commit."""

    def __init__(self, path: Path, steps: Steps) -> None:
        self._steps = steps
        super().__init__(path)

    @contextmanager
    def transaction(self) -> Iterator[sa.Connection]:
        self._steps.step()
        with super().transaction() as connection:
            self._steps.step()
            yield connection
            self._steps.step()
        self._steps.step()


class CountedTarget:
    """A target of which every delivery is two steps."""

    def __init__(self, target: Target, steps: Steps) -> None:
        self._target, self._steps = target, steps
        self.shown = target.shown

    async def send(self, message: Message) -> None:
        self._steps.step()
        await self._target.send(message)
        self._steps.step()


def opened(data: str) -> SqliteStore:
    """The history of a folder, for writing."""
    return open_store(Path(data), terminal(), clock=SystemClock())


def seal(order: dict[str, Any], steps: Steps) -> None:
    """Seal a day of all loops."""
    store = opened(order["data"])
    for owner, name in ((os, "fsync"), (Path, "replace"), (Path, "unlink"), (archive, "write"), (SqliteStore, "put_sealed")):
        steps.count(owner, name)
    say("sealed", store.seal(SEALED_AT))
    store.close()


def bring_in(order: dict[str, Any], steps: Steps) -> None:
    """Import two days of one loop, of which the second is not over."""
    store = opened(order["data"])
    for owner, name in ((os, "fsync"), (Path, "replace"), (SqliteStore, "append"), (SqliteStore, "put_sealed")):
        steps.count(owner, name)
    steps.count(SqliteStore, "add_rollups")
    say("rows", import_samples(store, terminal(), "TB-07", imported(), now=MIDNIGHT + 1.5 * 86_400.0))
    store.close()


def imported() -> list[Samples]:
    """What `bring_in` imports: the last minutes of a day and the first of the next."""
    return [steady(MIDNIGHT + 86_400 - 300, 400), steady(MIDNIGHT + 86_400 + 100, 200)]


def steady(begin: int, rows: int) -> Samples:
    """A quiet belt."""
    times = begin + np.arange(rows, dtype=np.int64)
    values = {"flow": 200.0 + np.sin(times), "plc_flow": 200.0 + np.cos(times)}
    return Samples(
        loop="TB-07",
        time_s=times,
        values=values,
        quality={role: np.zeros(rows, np.uint8) for role in values},
        flags=np.zeros(rows, np.uint8),
    )


def deliver(order: dict[str, Any], steps: Steps) -> None:
    """Raise an alert and deliver its message to a webhook."""
    state = CountedState(Path(order["state"]), steps)
    AlertBook(state, ("chat",)).take([change()], now=float(T0))
    targets = {name: CountedTarget(target, steps) for name, target in targets_of(chatting()).items()}
    worker = OutboxWorker(state, terminal(), targets, SystemClock())
    say("delivered", asyncio.run(worker.deliver_due()))
    state.close()


def chatting() -> Site:
    """The site with a webhook whose address comes from the environment."""
    return terminal(deliveries={"chat": WebhookDelivery(kind="webhook", url_env="CHAT_URL")})


WORKS: dict[str, Callable[[dict[str, Any], Steps], None]] = {
    "seal": seal, "import": bring_in, "deliver": deliver,
}  # fmt: skip


def main() -> None:
    """Fork a child for every order until stdin ends."""
    for line in iter(sys.stdin.readline, ""):
        order = json.loads(line)
        child = os.fork()
        if child == 0:
            say("child", os.getpid())
            try:
                os.environ.update(order.get("environment", {}))
                WORKS[order["work"]](order, Steps(order.get("step")))
            except BaseException:  # noqa: BLE001 - told by the exit code and on stderr; a child must never come back here
                traceback.print_exc()
                os._exit(3)
            os._exit(0)
        _, status = os.waitpid(child, 0)
        say("gone", os.waitstatus_to_exitcode(status))


if __name__ == "__main__":
    main()
