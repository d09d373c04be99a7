"""Lays a past down beside the running service: a plant makes whole days, a child makes them ready and judges them, we store them.

First all days are laid, the newest first, so that trends and totals fill quickly; then each is judged by the engine from what is
stored: days on which something happened first, then all others. A stop or a kill at any moment loses at most the days in hand: the
plant's plan says which days were taken, `judged.json` which were judged, and to do a day again does no harm.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import sys
from collections.abc import AsyncIterator, Callable, MutableMapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from collector.clock import Clock
from collector.history.layout import Layout, day_name
from collector.history.state import StateDb
from collector.history.store import Event
from collector.logs import event
from collector.past.judging import JudgedDay, judged_from
from collector.past.preparing import LaidDay
from collector.past.taking import take_judged, take_laid
from collector.past.worker import laid_from
from config.errors import TallywireError

JUDGED_FILE = "judged.json"
STAGING = "staging"
NOTE = "history"
LINE_LIMIT = 64 * 1024 * 1024
"""The longest answer of a child: what the engine told of a day [bytes]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """How far it is: `done` of `total` loop-days; `phase` is "laid" or "judged", `day` the one just done (YYYY-MM-DD)."""

    phase: str
    done: int
    total: int
    day: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """A past to lay: the command of the plant that makes it, the folder with its plan, and who hears how far it is."""

    command: Sequence[str]
    folder: Path
    tell: Callable[[Stand], None] = lambda stand: None


class Laying:
    """The task; its supervisor starts it again where a child breaks."""

    def __init__(
        self,
        past: Past,
        site: Path,
        data: Path,
        state: StateDb,
        clock: Clock,
        keep_event: Callable[[Event], None],
        notes: MutableMapping[str, str],
    ) -> None:
        self._past = past
        self._site = site
        self._data = data
        self._state = state
        self._clock = clock
        self._keep_event = keep_event
        self._notes = notes
        self._judged: set[tuple[str, int]] = set()

    async def run(self, stop: asyncio.Event) -> None:
        """Lay, judge, and wait for the stop; a stop on the way ends the children."""
        working = asyncio.create_task(self._work(), name="laying the past")
        stopping = asyncio.create_task(stop.wait())
        try:
            await asyncio.wait({working, stopping}, return_when=asyncio.FIRST_COMPLETED)
            if working.done():
                working.result()
                await stopping
        finally:
            for task in (working, stopping):
                task.cancel()
            await asyncio.gather(working, stopping, return_exceptions=True)

    async def _work(self) -> None:
        staging = self._past.folder / STAGING
        await asyncio.to_thread(_emptied, staging)
        self._judged = await asyncio.to_thread(self._read_judged)
        arguments = ["--site", str(self._site), "--data", str(self._data), "--staging", str(staging)]
        async with _child([sys.executable, "-P", "-m", "collector.past.worker", *arguments]) as worker:
            about = await self._lay(worker)
            await self._judge(worker, about)

    async def _lay(self, worker: asyncio.subprocess.Process) -> dict[str, Any]:
        async with _child(self._past.command) as plant:
            about = json.loads(await _line(plant, "the demo plant"))
            left = int(about["left"])
            if left:
                self._note("history-past", f"{left} loop-days before {day_name(about['until'] // 86400)} are being laid", about)
            waiting: asyncio.Queue[str] = asyncio.Queue()
            feeding = asyncio.create_task(self._feed(plant, worker, waiting, left))
            try:
                for done in range(1, left + 1):
                    laid = laid_from(json.loads(await _answer(worker, feeding)))
                    recorded = await waiting.get()
                    await asyncio.to_thread(self._take_laid, laid, Path(recorded))
                    _say(plant, {"loop": laid.loop})
                    self._tell(Stand(phase="laid", done=done, total=left, day=day_name(laid.day)))
                await feeding
                await plant.wait()
            finally:
                feeding.cancel()
                await asyncio.gather(feeding, return_exceptions=True)
        if left:
            self._note("history-past", f"{left} loop-days were laid; the engine judges them now", about)
        return dict(about)

    async def _feed(
        self, plant: asyncio.subprocess.Process, worker: asyncio.subprocess.Process, waiting: asyncio.Queue[str], left: int
    ) -> None:
        for _ in range(left):
            made = json.loads(await _line(plant, "the demo plant"))
            _say(worker, {"do": "lay", **made})
            waiting.put_nowait(made["file"])

    async def _judge(self, worker: asyncio.subprocess.Process, about: dict[str, Any]) -> None:
        """Every loop-day that is not judged yet: the eventful ones first, the newest first."""
        last = about["until"] // 86400
        eventful = [(loop, int(day)) for loop, day in about["eventful"]]
        quiet = [(loop, last - back) for back in range(1, about["days"] + 1) for loop in about["loops"]]
        wanted = [one for one in dict.fromkeys([*eventful, *quiet]) if one not in self._judged]
        alerts = 0
        for done, (loop, day) in enumerate(wanted, 1):
            _say(worker, {"do": "judge", "loop": loop, "day": day})
            judged = judged_from(json.loads(await _line(worker, "the child that judges the past")))
            alerts += await asyncio.to_thread(self._take_judged, judged, about)
            self._tell(Stand(phase="judged", done=done, total=len(wanted), day=day_name(day)))
        self._notes.pop(NOTE, None)
        if wanted:
            self._note("history-past", f"the engine has judged {len(wanted)} loop-days; it told of {alerts} alerts", about)

    def _tell(self, stand: Stand) -> None:
        self._past.tell(stand)
        left = f"{stand.done} of {stand.total} loop-days are {stand.phase}"
        self._notes[NOTE] = (
            f"The simulated history is being laid down, the newest days first: {left}. What is older is not there yet."
            if stand.phase == "laid"
            else f"The engine still judges the simulated history: {left}. Days that are not judged yet show no finding."
        )

    def _take_laid(self, laid: LaidDay, recorded: Path) -> None:
        take_laid(self._state, Layout(self._data), laid)
        recorded.unlink(missing_ok=True)

    def _take_judged(self, judged: JudgedDay, about: dict[str, Any]) -> int:
        new = take_judged(self._state, judged, told_by=about["told_by"], told_after=float(about["told_after_s"]))
        self._judged.add((judged.loop, judged.day))
        path = self._past.folder / JUDGED_FILE
        part = path.with_name(path.name + ".part")
        part.write_text(json.dumps(sorted(self._judged)), encoding="utf-8")
        part.replace(path)
        return new

    def _read_judged(self) -> set[tuple[str, int]]:
        try:
            stored = json.loads((self._past.folder / JUDGED_FILE).read_text(encoding="utf-8"))
            return {(str(loop), int(day)) for loop, day in stored}
        except FileNotFoundError:
            return set()

    def _note(self, kind: str, text: str, about: dict[str, Any]) -> None:
        whole = f"simulated history: {text}"
        event(logging.INFO, kind, whole, until=about["until"], days=about["days"])
        self._keep_event(Event(time=self._clock.now(), loop="", kind=kind, text=whole))


def _emptied(staging: Path) -> None:
    staging.mkdir(parents=True, exist_ok=True)
    for path in staging.iterdir():
        path.unlink()


@contextlib.asynccontextmanager
async def _child(command: Sequence[str]) -> AsyncIterator[asyncio.subprocess.Process]:
    """A child in a group of its own, so that Ctrl-C in the terminal is ours to handle; ended where we leave."""
    starting = asyncio.ensure_future(
        asyncio.create_subprocess_exec(
            *command, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, process_group=0, limit=LINE_LIMIT,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
        )
    )  # fmt: skip
    try:
        process = await asyncio.shield(starting)
    except asyncio.CancelledError:
        await _ended(await starting)  # a stop while it starts must not leave it behind
        raise
    try:
        yield process
    finally:
        ending = asyncio.ensure_future(_ended(process))
        try:
            await asyncio.shield(ending)
        except asyncio.CancelledError:
            await ending
            raise


async def _ended(process: asyncio.subprocess.Process) -> None:
    """Kill a child that still runs, and read its pipes to their ends."""
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
    assert process.stdin is not None
    process.stdin.close()
    await process.communicate()


def _say(child: asyncio.subprocess.Process, order: dict[str, Any]) -> None:
    assert child.stdin is not None
    child.stdin.write(json.dumps(order).encode() + b"\n")


async def _line(child: asyncio.subprocess.Process, name: str) -> bytes:
    assert child.stdout is not None
    line = await child.stdout.readline()
    if not line:
        raise TallywireError(f"{name} ended too early", fix="its own message stands above")
    return line


async def _answer(worker: asyncio.subprocess.Process, feeding: asyncio.Task[None]) -> bytes:
    """The next answer of the worker; where the feeding breaks meanwhile, its error."""
    answering = asyncio.create_task(_line(worker, "the child that lays the past"))
    try:
        await asyncio.wait({answering, feeding}, return_when=asyncio.FIRST_COMPLETED)
        if feeding.done() and not answering.done():
            feeding.result()
        return await answering
    finally:
        answering.cancel()
        await asyncio.gather(answering, return_exceptions=True)
