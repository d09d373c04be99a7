"""Keeps samples, rollups and events: one thread writes, the service never waits for the disk."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from datetime import UTC, datetime

from checks.blocks import Blocks
from checks.empties import EmptyStretch
from checks.samples import Samples
from collector.clock import Clock
from collector.history.store import Event, Store
from collector.live import LiveState
from collector.logs import event
from collector.service.supervisor import sleep_or_stop

MOST_WAITING = 900
"""Batches of samples that wait for the disk (15 min at one a second); the oldest go first when there are more."""
MOST_OTHERS_WAITING = 5000
MOST_AT_ONCE = 60
ROLLUPS_AT_ONCE = 25
"""Merged blocks in one transaction: alerts wait for it."""
RETRY_S = 5.0
PROBLEM = "history"


class Keeper:
    """Writes to the history in one thread, in order; what cannot be written waits and is tried again.

    While the history fails, verification goes on in memory: `live.problems["history"]` says since when and why, and goes when
    writing works again. What had to be dropped is counted in `queue_dropped` (rows) and told in an event.
    """

    def __init__(self, store: Store, live: LiveState, clock: Clock, executor: Executor) -> None:
        self._store = store
        self._live = live
        self._clock = clock
        self._executor = executor
        self._samples: deque[Sequence[Samples]] = deque()
        self._others: deque[Callable[[], None]] = deque()
        self._rollups: deque[Blocks] = deque(maxlen=MOST_OTHERS_WAITING)
        self._rollups_due = False
        self._wake = asyncio.Event()
        self._dropped = 0

    def keep_samples(self, batch: Sequence[Samples]) -> None:
        """Take closed samples; the oldest waiting batch is dropped where too many wait."""
        self._samples.append(batch)
        if len(self._samples) > MOST_WAITING:
            self._drop(self._samples.popleft())
        self._wake.set()

    def keep_rollups(self, blocks: Blocks) -> None:
        """Take merged blocks; the loops of a wide site close their minutes together, and share transactions."""
        if len(self._rollups) == MOST_OTHERS_WAITING:
            self._live.count("queue_dropped")
        self._rollups.append(blocks)
        if not self._rollups_due:
            self._rollups_due = True
            self._keep(self._write_rollups)

    def keep_empties(self, loop: str, stretches: Sequence[EmptyStretch]) -> None:
        """Take stretches of empty running belt."""
        self._keep(lambda: self._store.add_empties(loop, stretches))

    def keep_voids(self, loop: str, voids: Sequence[tuple[int, int]]) -> None:
        """Take times in which the numbers of a loop meant nothing."""
        self._keep(lambda: self._store.void_empties(loop, voids))

    def keep_event(
        self, kind: str, text: str, *, loop: str = "", old: str = "", new: str = "", time: float | None = None
    ) -> None:
        """Take an event of the ledger, dated now where no time is given."""
        entry = Event(time=self._clock.now() if time is None else time, loop=loop, kind=kind, text=text, old=old, new=new)
        self._keep(lambda: self._store.add_event(entry))

    @property
    def waiting(self) -> int:
        """Batches and single writes that wait."""
        return len(self._samples) + len(self._others)

    async def run(self, stop: asyncio.Event) -> None:
        """Write until told to stop, then write what is left; a failure at that point is told with what is lost."""
        while True:
            while self.waiting and await self._write_some():
                self._live.counters["history_waiting_s"] = self.waiting
            self._live.counters["history_waiting_s"] = self.waiting
            if stop.is_set():
                if self.waiting:
                    event(
                        logging.ERROR, "history-lost", "the history fails at the end, so samples are lost", batches=self.waiting
                    )
                return
            if self.waiting:
                await sleep_or_stop(self._clock, self._clock.monotonic() + RETRY_S, stop)
                continue
            self._wake.clear()
            waking = asyncio.ensure_future(self._wake.wait())
            stopping = asyncio.ensure_future(stop.wait())
            try:
                await asyncio.wait({waking, stopping}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                waking.cancel()
                stopping.cancel()

    async def _write_some(self) -> bool:
        """Write the oldest waiting batches and all other writes; False where the history refused."""
        taken = [self._samples.popleft() for _ in range(min(MOST_AT_ONCE, len(self._samples)))]
        others = [self._others.popleft() for _ in range(len(self._others))]

        def write() -> None:
            if taken:
                self._store.append([part for batch in taken for part in batch])
                taken.clear()
            while others:
                others[0]()
                others.pop(0)

        try:
            await asyncio.get_running_loop().run_in_executor(self._executor, write)
        except Exception as error:  # noqa: BLE001 - whatever the history raises is counted, shown and tried again
            self._samples.extendleft(reversed(taken))
            self._others.extendleft(reversed(others))
            while len(self._samples) > MOST_WAITING:
                self._drop(self._samples.popleft())
            self._failed(error)
            return False
        if PROBLEM in self._live.problems:
            self._resumed()
        return True

    def _write_rollups(self) -> None:
        self._rollups_due = False  # before any is taken: what comes from here on asks for a write of its own
        while self._rollups:
            taken = [self._rollups.popleft() for _ in range(min(ROLLUPS_AT_ONCE, len(self._rollups)))]
            try:
                self._store.add_rollups_of(taken)
            except BaseException:
                self._rollups.extendleft(reversed(taken))
                raise

    def _keep(self, write: Callable[[], None]) -> None:
        self._others.append(write)
        if len(self._others) > MOST_OTHERS_WAITING:
            gone = self._others.popleft()
            if gone == self._write_rollups:  # stands for all rollups that wait
                self._others.append(gone)
                self._others.popleft()
            self._live.count("queue_dropped")
        self._wake.set()

    def _drop(self, batch: Sequence[Samples]) -> None:
        rows = sum(len(part) for part in batch)
        self._dropped += rows
        self._live.count("queue_dropped", rows)

    def _failed(self, error: Exception) -> None:
        self._live.count("history_errors")
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        logging.getLogger("tallywire").error(
            "the history cannot be written",
            exc_info=error if not isinstance(error, OSError) else None,
            extra={"event": "history-failed", "repeat_key": "history", "fields": {"reason": reason}},
        )
        if PROBLEM not in self._live.problems:
            since = datetime.fromtimestamp(self._clock.now(), UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
            self._live.problems[PROBLEM] = f"cannot be written ({reason}); verifying in memory since {since}"
            self._live.touch()

    def _resumed(self) -> None:
        since = self._live.problems.pop(PROBLEM)
        dropped, self._dropped = self._dropped, 0
        event(logging.WARNING, "history-resumed", "the history is written again", rows_lost=dropped)
        self.keep_event("history-resumed", f"history {since}; written again, {dropped} rows lost")
        self._live.touch()
