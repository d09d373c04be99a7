"""Processes that keep a history until they are killed: alone on the embedded one, or several with leases on the shared one.

Virtual time runs fast, so that appends, rollups, seals and changes of hands come all the time. What a process has done it tells
through a pipe once the call has returned: that is what counts as acknowledged.
"""

from __future__ import annotations

import contextlib
import time
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path

from checks.build import BlockBuilder
from checks.merge import TreeMerger
from checks.samples import Samples
from collector.clock import SystemClock
from collector.history.layout import Layout
from collector.history.leases import SITE, Leases
from collector.history.postgres import PostgresStore
from collector.history.postgres_state import PostgresState
from collector.history.sqlite import open_store
from collector.history.tiers import SEAL_AFTER_S, TieredStore
from config.errors import StoreError
from tests.collector.history.recorded import LOOPS, MIDNIGHT, terminal
from tests.crash.writer import rows

STEP_S = 2999
"""Virtual seconds between two rows of a loop: a day has 29."""
TTL_S = 0.6
ROUNDS_TO_ROLLUP, ROUNDS_TO_SEAL = 3, 7
Mine = dict[str, int]


def alone(folder: Path, told: Connection) -> None:
    """Keep the embedded history."""
    store = open_store(folder, terminal(), clock=SystemClock())
    mine = {loop: _next(store, loop) for loop in LOOPS}
    turn = 0
    while True:
        turn += 1
        _work(store, mine, turn, told)


def one_of_several(folder: Path, address: str, name: str, told: Connection) -> None:
    """Keep the loops that the leases give, on the shared history."""
    leases, store = _opened(folder, address, name)
    epochs: dict[str, int] = {}
    mine: Mine = {}
    turn = 0
    while True:
        turn += 1
        try:
            got = leases.turn()
            if turn % 20 == 0 and got.surplus:
                leases.give_back(got.surplus)
            held = {loop: epoch for loop, epoch in got.held.items() if loop != SITE and loop in leases.held}
            for loop in held.keys() - {loop for loop, epoch in epochs.items() if held.get(loop) == epoch}:
                mine[loop] = _next(store, loop)
            mine = {loop: mine[loop] for loop in held}
            epochs = held
            if mine:
                _work(store, mine, turn, told)
            else:
                time.sleep(0.05)
        except StoreError:  # the server is away, or a lease has run out: what was asked may be done or not, so look again
            epochs = {}
            time.sleep(0.05)


def _opened(folder: Path, address: str, name: str) -> tuple[Leases, PostgresStore]:
    """The history, as soon as the server is there."""
    while True:
        with contextlib.suppress(StoreError):
            state = PostgresState(address)
            leases = Leases(state, [{loop} for loop in LOOPS], SystemClock(), owner=name, ttl_s=TTL_S)
            return leases, PostgresStore(Layout(folder, folder / "archive"), terminal(), state, SystemClock(), leases)
        time.sleep(0.1)


def _work(store: TieredStore, mine: Mine, turn: int, told: Connection) -> None:
    parts = [rows(loop, second, 1) for loop, second in sorted(mine.items())]
    if store.append(parts) == len(parts):
        told.send(("rows", dict(mine)))
        for loop in mine:
            mine[loop] += STEP_S
    if turn % ROUNDS_TO_ROLLUP == 0:
        loop = sorted(mine)[turn % len(mine)]
        minutes = TreeMerger().push(BlockBuilder(terminal(), loop, 1).push(_two_minutes(loop, mine[loop] // 60 * 60)))[60]
        foreign = getattr(store, "foreign", 0)
        store.add_rollups(minutes)
        if getattr(store, "foreign", 0) == foreign:  # else another has the loop now, and nothing was written
            told.send(("rollup", (loop, int(minutes.start_s[0]))))
    if turn % ROUNDS_TO_SEAL == 0:
        told.send(("sealed", store.seal(min(_next(store, loop) for loop in LOOPS) + SEAL_AFTER_S)))


def _two_minutes(loop: str, begin: int) -> Samples:
    found = rows(loop, begin, 130)
    return replace(found, values={"flow": found.values["tag_0"]}, quality={"flow": found.quality["tag_0"]})


def _next(store: TieredStore, loop: str) -> int:
    """The second that a loop continues with."""
    extent = store.extent(loop)
    return MIDNIGHT + 1000 * sorted(LOOPS).index(loop) if extent is None else extent[1] - 1 + STEP_S
