"""Kills the processes of `tests.crash.sharing` at random points and counts what they had acknowledged and is not there."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import psycopg

from checks.samples import Samples, join
from collector.clock import SystemClock
from collector.history.layout import Layout
from collector.history.postgres import PostgresStore
from collector.history.postgres_state import PostgresState
from collector.history.proof import prove
from collector.history.sqlite import open_store
from collector.history.tiers import TieredStore
from tests.collector.history.recorded import DAY_S, LOOPS, MIDNIGHT, assert_same, terminal
from tests.crash.sharing import STEP_S, TTL_S, alone, one_of_several
from tests.crash.writer import rows
from tests.postgres import Server
from tests.service.shared import CLAIMS, LATE

GUARD = """
CREATE TABLE IF NOT EXISTS violations (loop text, ts bigint, epoch bigint, held bigint);
CREATE OR REPLACE FUNCTION guard() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN INSERT INTO violations SELECT NEW."loop", NEW.ts, NEW.epoch, l.epoch FROM leases l
WHERE l."loop" = NEW."loop" AND l.epoch <> NEW.epoch; RETURN NEW; END $$;
CREATE OR REPLACE TRIGGER guard AFTER INSERT ON samples FOR EACH ROW EXECUTE FUNCTION guard();
TRUNCATE violations;
"""
"""Notes each row that is written under another epoch than the one in force, also where its day is dropped later."""
WAY = 10 * 365 * DAY_S


@dataclass
class Counted:
    """What was seen: kills, acknowledged rows and rollups, seals; and what must be none."""

    kills: int = 0
    rows: set[tuple[str, int]] = field(default_factory=set)
    rollups: set[tuple[str, int]] = field(default_factory=set)
    sealed: int = 0
    lost: int = 0
    corrupt: int = 0
    superseded: int = 0

    def take(self, told: tuple[str, Any]) -> None:
        kind, what = told
        if kind == "rows":
            self.rows |= set(what.items())
        elif kind == "rollup":
            self.rollups.add(what)
        else:
            self.sealed += what

    @property
    def said(self) -> str:
        return (
            f"{self.kills} kills: {len(self.rows)} rows, {len(self.rollups)} rollups and {self.sealed} sealed loop-days acknowledged;"
            f" {self.lost} lost, {self.corrupt} damaged, {self.superseded} under a superseded epoch"
        )


class Victim:
    """A process with its pipe."""

    def __init__(self, work: Callable[..., None], *arguments: object) -> None:
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(["tests.crash.sharing"])
        self.pipe, there = context.Pipe(duplex=False)
        self.process: BaseProcess = context.Process(target=work, args=(*arguments, there))
        self.process.start()
        there.close()

    def kill(self, counted: Counted) -> None:
        """kill -9, then read what it had still told."""
        self.process.kill()
        drain(self.pipe, counted)
        self.process.join()
        self.pipe.close()
        self.process.close()

    def signal(self, sign: signal.Signals) -> None:
        assert self.process.pid is not None
        os.kill(self.process.pid, sign)


def drain(pipe: Connection, counted: Counted) -> None:
    """Take all until the other end has gone."""
    try:
        while True:
            counted.take(pipe.recv())
    except (EOFError, OSError):
        return


def listen(victims: list[Victim], most: int, limit_s: float, counted: Counted) -> None:
    """Take messages of all until there were so many, or for so long."""
    until, taken = time.monotonic() + limit_s, 0
    while taken < most and time.monotonic() < until:
        for pipe in wait([victim.pipe for victim in victims], timeout=0.1):
            assert isinstance(pipe, Connection)
            try:
                counted.take(pipe.recv())
            except EOFError as error:
                raise AssertionError("a process ended by itself; see its traceback") from error
            taken += 1


def embedded(folder: Path, kills: int, seed: int) -> Counted:
    """Kill the keeper of an embedded history again and again."""
    draw, counted = random.Random(seed), Counted()
    for _ in range(kills):
        victim = Victim(alone, folder)
        listen([victim], draw.randrange(1, 60), 20.0, counted)
        time.sleep(draw.random() * 0.02)
        victim.kill(counted)
        counted.kills += 1
    store = open_store(folder, terminal(), clock=SystemClock())
    _look(store, counted)
    store.close()
    return counted


def shared(folder: Path, server: Server, kills: int, seed: int, *, members: int = 3) -> Counted:
    """Kill, stop and let go on the keepers of a shared history, and sometimes the server."""
    address = server.database()
    with psycopg.connect(address, autocommit=True) as connection:
        connection.execute(CLAIMS)
        connection.execute(GUARD)
    draw, counted = random.Random(seed), Counted()
    victims = [Victim(one_of_several, folder, address, f"member {number}") for number in range(members)]
    stopped: list[Victim] = []
    for number in range(kills):
        listen(victims, draw.randrange(1, 40), 20.0, counted)
        time.sleep(draw.random() * 0.02)
        for victim in stopped:
            victim.signal(signal.SIGCONT)
        stopped = []
        kind = draw.random()
        if kind < 0.06:
            server.kill()
            server.start()
        elif kind < 0.3:
            stopped = [draw.choice(victims)]
            stopped[0].signal(signal.SIGSTOP)
            listen(victims, 40, 4 * TTL_S, counted)
        else:
            victims.pop(draw.randrange(len(victims))).kill(counted)
            victims.append(Victim(one_of_several, folder, address, f"member {members + number}"))
        counted.kills += 1
    for victim in victims:
        victim.kill(counted)
    with psycopg.connect(address) as connection:
        counted.superseded = len(connection.execute(LATE).fetchall())
        counted.superseded += len(connection.execute("SELECT * FROM violations").fetchall())
    state = PostgresState(address, read_only=True)
    _look(PostgresStore(Layout(folder, folder / "archive"), terminal(), state, SystemClock(), None), counted)
    state.close()
    return counted


def _look(store: TieredStore, counted: Counted) -> None:
    """Every acknowledged row and rollup is there with its own values, once; every sealed day is as it was written."""
    for loop in LOOPS:
        parts = list(store.scan(loop, MIDNIGHT, MIDNIGHT + WAY))
        found = join(parts) if parts else rows(loop, MIDNIGHT, 0)
        seconds = found.time_s.tolist()
        assert seconds == sorted(set(seconds)), f"{loop} has a second twice"
        assert_same(found, _wanted(loop, seconds))
        missing = {second for one, second in counted.rows if one == loop} - set(seconds)
        minutes = store.rollups(loop, 60, MIDNIGHT, MIDNIGHT + WAY)
        starts = set() if minutes is None else set(minutes.start_s.tolist())
        unrolled = {start for one, start in counted.rollups if one == loop} - starts
        counted.lost += len(missing) + len(unrolled)
        if missing or unrolled:
            print(f"{loop}: rows {sorted(missing)} and rollups {sorted(unrolled)} are lost")
    counted.corrupt = len(prove(store.layout, store.state).damages)
    assert len(counted.rows) > counted.kills, f"nothing was done between the kills (a row every {STEP_S} s)"


def _wanted(loop: str, seconds: list[int]) -> Samples:
    return join([rows(loop, second, 1) for second in seconds]) if seconds else rows(loop, MIDNIGHT, 0)
