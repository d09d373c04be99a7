"""Runs the engines in one thread: first the way back from history, then every closed sample in order."""

from __future__ import annotations

import asyncio
import logging
import zlib
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

from checks.blocks import Blocks
from checks.empties import EmptyStretch
from checks.engine import LoopEngine
from checks.evaluation import Evaluation
from checks.samples import Samples
from collector.clock import Clock
from collector.history.store import Store
from collector.live import LiveState
from collector.logs import event
from collector.service.gathering import Gathering
from collector.service.pacing import Pace

RECOVERED_S = 24 * 3600
"""How far a restart looks back in the stored samples [s]."""
MANY_LOOPS = 100
"""On a wider site every second block of a loop at rest is evaluated to be looked at, half of the loops at each."""
WATCHED_S = 60
"""Nobody looks who has asked for nothing for so long [s]: then no check is asked only to be shown."""
MOST_WAITING = 3600
"""Seconds of samples that wait for verification; beyond, the machine is too slow and the oldest go."""
LAGGING = 120
BEHIND = 10
"""Seconds of samples that may wait while blocks are judged at leisure; with more of them there is no spreading."""


_Failures = dict[str, Exception | None]


@dataclass(frozen=True, slots=True)
class _Adopted:
    """An engine that joins: `until` is the end of what history holds of its loop [epoch s], None where it holds nothing."""

    loop: str
    engine: LoopEngine
    until: int | None


class Verifying:
    """Pushes closed samples through the engines, off the event loop, and hands on what they say.

    Parameters
    ----------
    engines : mapping of loop id to LoopEngine
    store : Store or None
        Where the way back comes from; None where there is no history.
    known_until : mapping of loop id to int
        End (exclusive, epoch s) of what history held when the service started; what is stored later comes live.
    clock : Clock
    on_evaluations : callable
        Gets the evaluations of one turn, on the event loop, in order of time.
    on_rollups : callable
        Gets merged blocks as they are closed.
    on_empties : callable
        Gets the loop and its new stretches of empty running belt.
    on_voids : callable
        Gets the loop and the times in which its numbers meant nothing [epoch s].
    """

    def __init__(
        self,
        engines: Mapping[str, LoopEngine],
        live: LiveState,
        executor: Executor,
        *,
        store: Store | None,
        known_until: Mapping[str, int],
        clock: Clock,
        on_evaluations: Callable[[Sequence[Evaluation]], None],
        on_rollups: Callable[[Blocks], None],
        on_empties: Callable[[str, Sequence[EmptyStretch]], None] = lambda loop, stretches: None,
        on_voids: Callable[[str, Sequence[tuple[int, int]]], None] = lambda loop, voids: None,
    ) -> None:
        self._engines = dict(engines)
        self._live = live
        self._executor = executor
        self._store = store
        self._known_until = known_until
        self._on_evaluations = on_evaluations
        self._on_rollups = on_rollups
        self._on_empties = on_empties
        self._on_voids = on_voids
        self._empties: list[tuple[str, list[EmptyStretch], list[tuple[int, int]]]] = []
        self._waiting: deque[Mapping[str, Samples] | _Adopted] = deque()
        self._gathering = Gathering(live.site)
        self._pace = Pace(clock)
        self._wake = asyncio.Event()
        self.recovered = False

    def take(self, closed: Mapping[str, Samples]) -> None:
        """Take closed samples by loop; returns at once."""
        self._waiting.append(closed)
        if len(self._waiting) > MOST_WAITING:
            dropped = self._waiting.popleft()
            if isinstance(dropped, _Adopted):
                self._waiting.appendleft(dropped)
            self._live.count("verify_dropped")
        self._wake.set()

    def adopt(self, loop: str, engine: LoopEngine, until: int | None) -> None:
        """Take a loop on from now: its engine reads back what history holds before its first new sample is judged."""
        self._waiting.append(_Adopted(loop, engine, until))
        self._wake.set()

    def release(self, loop: str) -> None:
        """Let a loop go; what still waits of it is not judged any more."""
        self._engines.pop(loop, None)
        self._gathering.drop(loop)
        self._waiting = deque(one for one in self._waiting if not (isinstance(one, _Adopted) and one.loop == loop))
        self._live.problems.pop(f"verifying {loop}", None)

    async def run(self, stop: asyncio.Event) -> None:
        """Recover, then verify until told to stop and nothing waits."""
        loop = asyncio.get_running_loop()
        if not self.recovered:
            await self._read_back(
                [_Adopted(one, engine, self._known_until.get(one)) for one, engine in self._engines.items()], stop
            )
            self.recovered = True
        while not (stop.is_set() and not self._waiting):
            if not self._waiting:
                self._wake.clear()
                waking, stopping = asyncio.ensure_future(self._wake.wait()), asyncio.ensure_future(stop.wait())
                try:
                    await asyncio.wait({waking, stopping}, return_when=asyncio.FIRST_COMPLETED)
                finally:
                    waking.cancel()
                    stopping.cancel()
                continue
            closed = self._waiting.popleft()
            if isinstance(closed, _Adopted):
                self._gathering.drop(closed.loop)
                self._engines[closed.loop] = closed.engine
                await self._read_back([closed], stop)
                continue
            self._show_lag()
            gathered = [whole for samples in closed.values() if (whole := self._gathering.take(samples)) is not None]
            self._pace.begin(behind=len(self._waiting) > BEHIND)
            first = 0
            while first < len(gathered):
                part = gathered[first : first + self._pace.many()]
                first += len(part)
                evaluations, rollups, failures = await loop.run_in_executor(self._executor, self._push, part)
                self._show_failures(failures)
                for blocks in rollups:
                    self._on_rollups(blocks)
                self._hand_on_empties()
                if evaluations:
                    self._on_evaluations(evaluations)
                await self._pace.rest(len(part), 0 if stop.is_set() else len(gathered) - first)

    async def _read_back(self, adopted: Sequence[_Adopted], stop: asyncio.Event) -> None:
        loop = asyncio.get_running_loop()
        rows, rollups, failures = await loop.run_in_executor(self._executor, self._recover, adopted, stop)
        self._show_failures(failures)
        for blocks in rollups:
            self._on_rollups(blocks)
        self._hand_on_empties()
        if rows:
            event(logging.INFO, "recovered", "the engines have read back the stored samples", rows=rows)

    def _push(self, gathered: Sequence[Samples]) -> tuple[list[Evaluation], list[Blocks], _Failures]:
        evaluations: list[Evaluation] = []
        rollups: list[Blocks] = []
        failures: _Failures = {}
        for samples in gathered:
            loop = samples.loop
            engine = self._engines.get(loop)
            if engine is None:  # released meanwhile
                continue
            failures[loop] = None
            try:
                evaluations += engine.push(samples, show=self._is_shown(samples), asking=self._is_watched(samples))
                rollups += engine.take_rollups().values()
                self._empties.append((loop, engine.empties.take(), engine.empties.take_voids()))
            except Exception as error:  # noqa: BLE001 - one loop must not stop the others; counted, shown and logged
                failures[loop] = error
        evaluations.sort(key=lambda evaluation: evaluation.time_s)
        return evaluations, rollups, failures

    def _is_watched(self, samples: Samples) -> bool:
        return self._live.looked_at >= int(samples.time_s[-1]) - WATCHED_S

    def _is_shown(self, samples: Samples) -> bool:
        block = (int(samples.time_s[-1]) + samples.step_s) // int(self._live.site.block)
        return len(self._engines) <= MANY_LOOPS or (block + zlib.crc32(samples.loop.encode())) % 2 == 0

    def _recover(self, adopted: Sequence[_Adopted], stop: asyncio.Event) -> tuple[int, list[Blocks], _Failures]:
        """Push the stored samples of the last day, unjudged; returns the rows read and the merged blocks that are whole."""
        rows = 0
        rollups: list[Blocks] = []
        failures: _Failures = {}
        for one in adopted:
            loop, engine, end = one.loop, one.engine, one.until
            if self._store is None or end is None:
                continue
            first: int | None = None
            try:
                engine.empties.extend(self._store.empties(loop))
                for samples in self._store.scan(loop, end - RECOVERED_S, end):
                    if stop.is_set():
                        return rows, [], failures
                    if len(samples):
                        first = int(samples.time_s[0]) if first is None else first
                        engine.push(samples, evaluate=False)
                        rows += len(samples)
                if first is not None:
                    rollups += [_whole(blocks, first) for blocks in engine.take_rollups().values()]
                for begin, last in self._store.voids(loop):
                    engine.explain(begin, last)
                engine.empties.take_voids()
                self._empties.append((loop, engine.empties.take(), []))
            except Exception as error:  # noqa: BLE001 - one loop must not stop the others; counted, shown and logged
                failures[loop] = error
        return rows, [blocks for blocks in rollups if len(blocks)], failures

    def _hand_on_empties(self) -> None:
        taken, self._empties = self._empties, []
        for loop, stretches, voids in taken:
            if stretches:
                self._on_empties(loop, stretches)
            if voids:
                self._on_voids(loop, voids)

    def _show_failures(self, failures: _Failures) -> None:
        for loop, error in failures.items():
            if error is None:
                self._live.problems.pop(f"verifying {loop}", None)
                continue
            self._live.count("check_errors")
            self._live.problems[f"verifying {loop}"] = f"verification of {loop} failed: {type(error).__name__}; see the log"
            logging.getLogger("tallywire").error(
                "verification failed",
                exc_info=error,
                extra={"event": "verification-failed", "repeat_key": loop, "fields": {"loop": loop, "reason": str(error)}},
            )

    def _show_lag(self) -> None:
        self._live.counters["verify_waiting_s"] = len(self._waiting)
        if len(self._waiting) > LAGGING:
            self._live.problems["verifying"] = f"this machine is too slow: verification is {len(self._waiting)} s behind"
        else:
            self._live.problems.pop("verifying", None)


def _whole(blocks: Blocks, first_s: int) -> Blocks:
    """The merged blocks that begin no earlier than the samples they were rebuilt from."""
    return blocks[slice(int((blocks.start_s < first_s).sum()), None)]
