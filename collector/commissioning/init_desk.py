"""Looks at devices for the wizard on a page or for a program: one at a time, slowly, and what was seen is kept until it is used."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from enum import StrEnum

from collector.clock import Clock
from collector.commissioning.addresses import USUAL_PORT
from collector.commissioning.lender import Lender
from collector.commissioning.looking import Looked, ReadOnce, look, read_once
from collector.commissioning.registers import RATE
from collector.commissioning.site_draft import LoopAnswers, SiteAnswers
from collector.commissioning.turn import Turn
from config.errors import TallywireError
from config.model import ModbusEndpoint, OpcUaEndpoint

MOST_SEEN = 50
"""Loops of which is kept what was seen."""
TO = "the wizard of a site file"


class Step(StrEnum):
    """How far a look is."""

    NONE = "none"
    RUNNING = "running"
    DONE = "done"
    STOPPED = "stopped"
    FAILED = "failed"


@dataclass(slots=True, kw_only=True)
class Look:
    """The look that runs, or ran last: for which draft (empty: of a program) and loop, of which side (empty: all tags read once)."""

    step: Step = Step.NONE
    key: str = ""
    loop: str = ""
    whose: str = ""
    devices: tuple[str, ...] = ()
    done: int = 0
    total: int | None = None
    where: str = ""
    problem: TallywireError | None = None
    answers: LoopAnswers | None = None
    """What was answered for the loop when it began."""


@dataclass(slots=True)
class Seen:
    """What was seen of the devices of a loop: of servers by side, and the tags that were read once."""

    looked: dict[str, Looked] = field(default_factory=dict)
    read: ReadOnce | None = None


class InitDesk:
    """Begins and stops looks. `lender` is that of the service that runs: a device that serves it alone is lent for the time."""

    def __init__(self, clock: Clock, turn: Turn, lender: Lender | None = None) -> None:
        self._clock, self._turn, self._lender = clock, turn, lender
        self._task: asyncio.Task[None] | None = None
        self._seen: dict[tuple[str, str], Seen] = {}
        self.now = Look()

    def seen(self, key: str, loop: str) -> Seen:
        """What was seen for a loop of a draft."""
        return self._seen.get((key, loop), Seen())

    def forget(self, key: str, loop: str) -> None:
        """Forget it: it was used."""
        self._seen.pop((key, loop), None)

    def begin(self, key: str, found: SiteAnswers, loop: LoopAnswers, whose: str) -> None:
        """Look at the server of a side, or read every tag once where `whose` is empty.

        Raises
        ------
        TallywireError
            A look or a survey is on its way, or there is nothing to look at.
        """
        devices = tuple(dict.fromkeys([loop.devices[whose]] if whose else loop.devices.values()))
        if whose and found.endpoints[devices[0]]["protocol"] != "opcua":
            raise TallywireError(
                f"{devices[0]} speaks Modbus, which has no list of what it has", fix="type its registers, then read them once"
            )
        if not whose and not loop.tags:
            raise TallywireError("nothing is typed yet that could be read", fix="type the register or node of the flow first")
        self._turn.take(f"a look at {' and '.join(devices)}")
        answers = deepcopy(found)
        mine = next(item for item in answers.loops if item.name == loop.name)
        self.now = Look(step=Step.RUNNING, key=key, loop=loop.name, whose=whose, devices=devices, answers=mine)
        self._task = asyncio.create_task(self._run(self.now, answers, mine), name="look")

    async def stop(self) -> None:
        """Stop the look that runs."""
        if self._task is not None and not self._task.done():
            self._task.cancel()
            await asyncio.wait({self._task})
            if self.now.step is Step.RUNNING:  # it was stopped before its first step
                self.now.step = Step.STOPPED
                self._turn.give()

    async def _run(self, now: Look, found: SiteAnswers, loop: LoopAnswers) -> None:
        lent = self._only_one(found, now.devices)
        try:
            if self._lender is not None and lent:
                await self._lender.borrow(lent, TO)

            def progress(done: int, second: int | None, where: str = "") -> None:
                now.done, now.where = done, where
                now.total = None if now.whose else second
                if self._lender is not None and lent:
                    self._lender.lend(lent, TO)

            seen = self._seen.get((now.key, now.loop), Seen())
            if now.whose:
                seen.looked[now.whose] = await look(found, loop, now.whose, self._clock, rate=RATE, progress=progress)
            else:
                seen.read = await read_once(found, loop, self._clock, rate=RATE, progress=progress)
            self._seen.pop((now.key, now.loop), None)
            self._seen[now.key, now.loop] = seen
            while len(self._seen) > MOST_SEEN:
                self._seen.pop(next(iter(self._seen)))
            now.step = Step.DONE
        except asyncio.CancelledError:
            now.step = Step.STOPPED
            raise
        except TallywireError as error:
            now.step, now.problem = Step.FAILED, error
        finally:
            if self._lender is not None and lent:
                self._lender.give_back(lent)
            self._turn.give()

    def _only_one(self, found: SiteAnswers, devices: tuple[str, ...]) -> list[str]:
        """Endpoints of the service that runs which are the same devices and serve one client only."""
        if self._lender is None:
            return []
        wanted = {_place(found.endpoints[name]) for name in devices}
        return [
            name for name, item in self._lender.live.site.endpoints.items() if item.one_client and _place_of(item) in wanted
        ]


def _place(item: Mapping[str, str]) -> str:
    return item.get("url") or f"{item.get('host')}:{item.get('port', USUAL_PORT)}"


def _place_of(item: ModbusEndpoint | OpcUaEndpoint) -> str:
    return item.url if isinstance(item, OpcUaEndpoint) else f"{item.host}:{item.port or USUAL_PORT}"
