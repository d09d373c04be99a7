"""One supervisor over named tasks: none of them dies unnoticed, and all stop in a written order."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from enum import IntEnum

from collector.clock import Clock
from collector.logs import event
from config.errors import ForbiddenRequestError

FIRST_RESTART_S = 1.0
LONGEST_RESTART_S = 30.0
QUIET_AFTER_S = 300.0
"""A task that ran this long before it died starts again without delay [s]."""
CANCEL_GRACE_S = 0.5


class Stage(IntEnum):
    """The stop order. A stage begins when the one before has ended or has used up its grace."""

    INTAKE = 0
    CLOSING = 1
    VERIFYING = 2
    TELLING = 3
    KEEPING = 4
    SHOWING = 5


GRACE_S = {
    Stage.INTAKE: 1.0,
    Stage.CLOSING: 0.3,
    Stage.VERIFYING: 0.8,
    Stage.TELLING: 0.5,
    Stage.KEEPING: 1.0,
    Stage.SHOWING: 0.5,
}
"""How long a stage may take to end by itself [s]; the sum leaves room below 5 s for what comes before and after."""

Run = Callable[[asyncio.Event], Awaitable[None]]
"""The body of a task: runs until the event is set."""


@dataclass(slots=True)
class _Member:
    name: str
    run: Run
    stage: Stage
    restart: bool
    stop: asyncio.Event = field(default_factory=asyncio.Event)
    task: asyncio.Task[None] | None = None


class Supervisor:
    """Runs tasks that each go on until they are told to stop.

    A task that ends before that, by exception or by returning, has died. One that may be restarted is started again after 1, 2,
    4 ... 30 s; any other ends the service, and so does a request that would have written to the plant. Both are logged and
    told to `on_death` (name, reason, whether it starts again).
    """

    def __init__(self, clock: Clock, on_death: Callable[[str, str, bool], None] = lambda *_: None) -> None:
        self._clock = clock
        self._on_death = on_death
        self._members: list[_Member] = []
        self._stop = asyncio.Event()
        self._running = False
        self.failed = ""
        """Why the service ends by itself, empty where it was asked to."""

    def add(self, name: str, run: Run, *, stage: Stage, restart: bool = False) -> None:
        """Add a task; one that comes while the others run starts at once."""
        member = _Member(name, run, stage, restart)
        self._members.append(member)
        if self._running and not self._stop.is_set():
            member.task = asyncio.create_task(self._watch(member), name=name)

    async def remove(self, name: str) -> None:
        """Stop a task that was added, and wait for its end; one that does not end within the grace of its stage is cancelled."""
        for member in [one for one in self._members if one.name == name]:
            self._members.remove(member)
            member.stop.set()
            if member.task is not None:
                _, left = await asyncio.wait({member.task}, timeout=GRACE_S[member.stage])
                for task in left:
                    task.cancel()
                    await asyncio.wait({task}, timeout=CANCEL_GRACE_S)

    def request_stop(self) -> None:
        """Begin the stop order; returns at once and may come before `run`."""
        self._stop.set()

    async def run(self) -> None:
        """Start all tasks, wait for `request_stop` or a death that ends the service, stop all in order.

        A cancel is a request to stop: the order is kept, then the cancel goes on.
        """
        for member in self._members:
            member.task = asyncio.create_task(self._watch(member), name=member.name)
        self._running = True
        cancelled: asyncio.CancelledError | None = None
        try:
            await self._stop.wait()
        except asyncio.CancelledError as error:
            cancelled = error
        ending = asyncio.create_task(self._stop_in_order(), name="stop order")
        while not ending.done():
            try:
                await asyncio.shield(ending)
            except asyncio.CancelledError as error:
                cancelled = error
        ending.result()
        if cancelled is not None:
            raise cancelled

    async def _watch(self, member: _Member) -> None:
        delay = FIRST_RESTART_S
        while not member.stop.is_set():
            began = self._clock.monotonic()
            reason = "it returned"
            again = member.restart
            try:
                await member.run(member.stop)
            except asyncio.CancelledError:
                raise
            except Exception as error:
                reason = f"{type(error).__name__}: {error}"
                again = again and not isinstance(error, ForbiddenRequestError)
                logging.getLogger("tallywire").exception(
                    "task died", extra={"event": "task-died", "fields": {"task": member.name}}
                )
            if member.stop.is_set():
                return
            self._on_death(member.name, reason, again)
            if not again:
                self.failed = f"{member.name}: {reason}"
                event(logging.ERROR, "service-ends", f"the task {member.name} died, so the service ends", reason=reason)
                self._stop.set()
                return
            if self._clock.monotonic() - began > QUIET_AFTER_S:
                delay = FIRST_RESTART_S
            event(logging.ERROR, "task-restarts", f"the task {member.name} died and starts again", reason=reason, delay_s=delay)
            await sleep_or_stop(self._clock, self._clock.monotonic() + delay, member.stop)
            delay = min(2 * delay, LONGEST_RESTART_S)

    async def _stop_in_order(self) -> None:
        for stage in Stage:
            tasks = {member.task for member in self._members if member.stage == stage and member.task is not None}
            for member in self._members:
                if member.stage == stage:
                    member.stop.set()
            if not tasks:
                continue
            _, left = await asyncio.wait(tasks, timeout=GRACE_S[stage])
            for task in left:
                event(logging.WARNING, "task-cancelled", f"the task {task.get_name()} did not end in time and is cancelled")
                task.cancel()
            if left:
                _, left = await asyncio.wait(left, timeout=CANCEL_GRACE_S)
            for task in left:
                event(logging.ERROR, "task-left", f"the task {task.get_name()} does not end and is left behind")


async def sleep_or_stop(clock: Clock, deadline: float, stop: asyncio.Event) -> bool:
    """Wait until `clock.monotonic()` reaches the deadline or the event is set; returns whether it is set."""
    if stop.is_set():
        return True
    sleeping = asyncio.ensure_future(clock.sleep_until(deadline))
    stopping = asyncio.ensure_future(stop.wait())
    try:
        await asyncio.wait({sleeping, stopping}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        sleeping.cancel()
        stopping.cancel()
    return stop.is_set()
