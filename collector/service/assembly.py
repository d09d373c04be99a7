"""The parts of the service put together: what is started, in which stage it stops, and what is shown when a part dies."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from functools import partial
from typing import Protocol

from checks.engine import LoopEngine
from checks.evaluation import Evaluation
from collector.align import Aligner
from collector.clock import Clock
from collector.history.store import Store
from collector.live import EndpointStatus, LiveState
from collector.logs import event
from collector.reading import ReadingSink
from collector.records.scheduled import ScheduledReports
from collector.service.jobs import Jobs
from collector.service.keeping import Keeper
from collector.service.loops import Closing
from collector.service.supervisor import QUIET_AFTER_S, Stage, Supervisor
from collector.service.verifying import Verifying
from config.load import LoadedSite


class Task(Protocol):
    """A part that runs until it is told to stop."""

    async def run(self, stop: asyncio.Event) -> None:
        """Run until the event is set."""
        ...


class Poller(Task, Protocol):
    """Reads one endpoint."""

    @property
    def name(self) -> str:
        """The endpoint."""
        ...


class Alerting(Task, Protocol):
    """What becomes of evaluations: episodes, alerts, messages."""

    def take(self, evaluation: Evaluation) -> None:
        """Take one evaluation, in order of time."""
        ...


EventTeller = Callable[[str, str, str], None]
"""Takes kind, endpoint and a sentence."""
MakePollers = Callable[[ReadingSink, dict[str, EndpointStatus], EventTeller], Sequence[Poller]]


Share = Callable[["Service", Executor], Task]
"""Makes the task that takes loops on and lets them go, where several collectors share them."""


class Service:
    """The running service over parts that are ready.

    Stop order: pollers, closing of the last seconds, verification of what was closed, alerts and messages, history, pages.
    """

    def __init__(
        self,
        loaded: LoadedSite,
        store: Store,
        alerting: Alerting,
        make_pollers: MakePollers,
        live: LiveState,
        clock: Clock,
        *,
        web: Task | None = None,
        reports: ScheduledReports | None = None,
        share: Share | None = None,
    ) -> None:
        self._store = store
        self._clock = clock
        self._loaded = loaded
        self._forgetting: dict[str, asyncio.TimerHandle] = {}
        self._executors = [ThreadPoolExecutor(1, thread_name_prefix=name) for name in ("keeping", "verifying", "slow jobs")]
        keeping, verifying, slow = self._executors
        self.live = live
        self.keeper = Keeper(store, live, clock, keeping)
        loops = list(loaded.site.loops) if share is None else []
        extents = {loop: store.extent(loop) for loop in loops}
        known_until = {loop: extent[1] for loop, extent in extents.items() if extent is not None}
        aligners = {
            loop: Aligner(loaded.site, loop, after=known_until[loop] - 1 if loop in known_until else None) for loop in loops
        }
        self._alerting = alerting
        self.verifying = Verifying(
            {loop: LoopEngine(loaded.site, loop, site_sha256=loaded.sha256) for loop in loops},
            live,
            verifying,
            store=store,
            known_until=known_until,
            clock=clock,
            on_evaluations=self._take_evaluations,
            on_rollups=self.keeper.keep_rollups,
            on_empties=self.keeper.keep_empties,
            on_voids=self.keeper.keep_voids,
        )
        self.closing = Closing(aligners, live, self.keeper, clock, self.verifying.take)
        self.supervisor = Supervisor(clock, self._part_died)
        if share is not None:
            self._executors.append(ThreadPoolExecutor(1, thread_name_prefix="leases"))
            sharing = share(self, self._executors[-1])
            self.supervisor.add("leases", sharing.run, stage=Stage.INTAKE, restart=True)
        for poller in make_pollers(self.closing.sink, live.endpoints, self.tell) if share is None else ():
            self.supervisor.add(f"poller {poller.name}", poller.run, stage=Stage.INTAKE, restart=True)
        self.supervisor.add("closing", self.closing.run, stage=Stage.CLOSING)
        self.supervisor.add("verifying", self.verifying.run, stage=Stage.VERIFYING)
        self.supervisor.add("alerting", alerting.run, stage=Stage.TELLING, restart=True)
        self.supervisor.add("keeping", self.keeper.run, stage=Stage.KEEPING)
        jobs = Jobs(live, store, self.keeper, clock, slow, loaded.files, reports)
        self.supervisor.add("jobs", jobs.run, stage=Stage.TELLING, restart=True)
        if web is not None:
            self.supervisor.add("web", web.run, stage=Stage.SHOWING, restart=True)

    async def run(self) -> None:
        """Run until `supervisor.request_stop`, then stop in order and close the history."""
        self.live.started = self._clock.now()
        try:
            await self.supervisor.run()
        finally:
            for timer in self._forgetting.values():
                timer.cancel()
            for executor in self._executors:
                executor.shutdown(wait=False, cancel_futures=True)

    def tell(self, kind: str, endpoint: str, text: str) -> None:
        """Take an event of an endpoint into log and ledger."""
        event(logging.INFO, kind, text, endpoint=endpoint)
        self.keeper.keep_event(kind, text)
        self.live.touch()

    def _take_evaluations(self, evaluations: Sequence[Evaluation]) -> None:
        for evaluation in evaluations:
            if self.live.held is not None and evaluation.loop not in self.live.held:
                continue  # let go while it was judged
            self._alerting.take(evaluation)
            self.live.take_evaluation(evaluation)

    def _part_died(self, name: str, reason: str, again: bool) -> None:
        self.live.count("task_deaths")
        key = f"part {name}"
        self.live.problems[key] = f"{name} died ({reason})" + ("; it was started again" if again else "")
        self.live.touch()
        self.keeper.keep_event("part-died", f"{name}: {reason}")
        if key in self._forgetting:
            self._forgetting[key].cancel()
        forget = partial(self.live.problems.pop, key, None)
        self._forgetting[key] = asyncio.get_running_loop().call_later(QUIET_AFTER_S, forget)
