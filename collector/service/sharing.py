"""One of several collectors that share the loops: follows the leases, takes loops on, lets them go, and their connections with them."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Collection, Mapping
from concurrent.futures import Executor
from datetime import UTC, datetime
from functools import partial
from typing import Protocol, TypeVar

from checks.engine import LoopEngine
from collector.align import Aligner
from collector.clock import Clock
from collector.history.leases import RENEW_S, SITE, Leases, Turn
from collector.history.postgres import PostgresStore
from collector.live import LiveState
from collector.logs import event
from collector.service.keeping import Keeper
from collector.service.loops import Closing
from collector.service.supervisor import Stage, Supervisor, sleep_or_stop
from collector.service.verifying import Verifying
from config.errors import StoreError
from config.load import LoadedSite
from config.model import ModbusEndpoint, Site, Transport

T = TypeVar("T")
PROBLEM = "leases"
NOTE = "shared"
SETTLED_AFTER_S = 5.0
"""Loops are given back to a collector only when for so long none has come or gone [s]: one that hung for a moment comes and goes."""
LONGEST_FLUSH_S = 2.0
"""How long a loop that is given back may wait until what was measured of it is written [s]."""


class Poller(Protocol):
    """Reads one endpoint."""

    async def run(self, stop: asyncio.Event) -> None:
        """Run until the event is set."""
        ...


MakePoller = Callable[[Site, str], Poller | None]
"""Takes the site with the loops that are held, and an endpoint; None where no tag of them is read from it."""


class SharedAlerting(Protocol):
    """The alerts as they follow the loops."""

    def restored(self, loop: str) -> object:
        """The episodes of a loop as whoever held it last left them; reads the database."""
        ...

    def adopt(self, loop: str, restored: object) -> None:
        """Go on with the alerts of a loop."""
        ...

    def release(self, loop: str) -> None:
        """Let the alerts of a loop go; what was not written of them is the matter of who has it now."""
        ...


class Sharing:
    """The task that holds the leases. A turn a second; what it brings is carried out before the next one."""

    def __init__(
        self,
        leases: Leases,
        loaded: LoadedSite,
        store: PostgresStore,
        live: LiveState,
        clock: Clock,
        executor: Executor,
        *,
        closing: Closing,
        verifying: Verifying,
        keeper: Keeper,
        alerting: SharedAlerting,
        supervisor: Supervisor,
        make_poller: MakePoller,
    ) -> None:
        self._leases = leases
        self._loaded = loaded
        self._store = store
        self._live = live
        self._clock = clock
        self._executor = executor
        self._closing = closing
        self._verifying = verifying
        self._keeper = keeper
        self._alerting = alerting
        self._supervisor = supervisor
        self._make_poller = make_poller
        self._adopted: dict[str, int] = {}
        self._polled: dict[str, frozenset[str]] = {}
        self._members: tuple[tuple[str, ...], float] = ((), 0.0)
        live.held = frozenset()
        live.acts_for_site = False

    async def run(self, stop: asyncio.Event) -> None:
        """Follow the leases until told to stop; then end the connections. The leases last until the history is closed."""
        try:
            while not stop.is_set():
                began = self._clock.monotonic()
                await self._turn()
                await sleep_or_stop(self._clock, max(began + RENEW_S, self._clock.monotonic()), stop)
        finally:
            await self._poll_for({})

    async def _turn(self) -> None:
        try:
            turn = await self._off_loop(self._leases.turn)
        except StoreError as error:
            self._away(error)
            await self._poll_for(self._adopted)
            return
        if self._live.problems.pop(PROBLEM, None) is not None:
            event(logging.WARNING, "leases-back", "the database is reached again")
            self._live.touch()
        for loop in [loop for loop, epoch in self._adopted.items() if turn.held.get(loop) != epoch]:
            self._release(loop)
            event(logging.WARNING, "lease-lost", f"another collector has taken {loop} over", loop=loop)
        surplus = turn.surplus if self._settled(turn) else frozenset()
        for loop in sorted(turn.held.keys() - self._adopted.keys() - {SITE} - surplus):
            await self._adopt(loop, turn.held[loop])
        self._show(turn)
        await self._poll_for(self._adopted)
        if surplus & self._adopted.keys():
            await self._give_back(surplus & self._adopted.keys())
            self._show(turn)

    def _settled(self, turn: Turn) -> bool:
        """Whether the same collectors have been there for a while."""
        names, now = tuple(member.owner for member in turn.members), self._clock.monotonic()
        if names != self._members[0]:
            self._members = (names, now)
        return now - self._members[1] >= SETTLED_AFTER_S

    async def _adopt(self, loop: str, epoch: int) -> None:
        """Take a loop on: nobody else writes for it, so what is stored and kept of it stands still while it is read."""
        if loop not in self._loaded.site.loops:
            return
        try:
            extent = await self._off_loop(partial(self._store.extent, loop))
            restored = await self._off_loop(partial(self._alerting.restored, loop))
        except StoreError as error:
            self._away(error)
            return
        until = None if extent is None else extent[1]
        self._alerting.adopt(loop, restored)
        self._verifying.adopt(loop, LoopEngine(self._loaded.site, loop, site_sha256=self._loaded.sha256), until)
        self._closing.adopt(loop, Aligner(self._loaded.site, loop, after=None if until is None else until - 1))
        self._adopted[loop] = epoch
        self._keeper.keep_event("lease-taken", f"{self._leases.owner} verifies {loop} from now on", loop=loop, new=str(epoch))
        event(logging.INFO, "lease-taken", f"{loop} is verified here from now on", loop=loop, epoch=epoch)

    def _release(self, loop: str) -> None:
        self._adopted.pop(loop)
        self._closing.release(loop)
        self._verifying.release(loop)
        self._alerting.release(loop)
        self._live.forget(loop)

    async def _give_back(self, loops: Collection[str]) -> None:
        """Hand loops over in order: no more readings, what was measured is written, then the lease goes."""
        for loop in sorted(loops):
            self._release(loop)
        await self._poll_for(self._adopted)
        limit = self._clock.monotonic() + LONGEST_FLUSH_S
        while self._keeper.waiting and self._clock.monotonic() < limit:
            await self._clock.sleep_until(self._clock.monotonic() + 0.05)
        try:
            await self._off_loop(partial(self._leases.give_back, sorted(loops)))
        except StoreError as error:
            self._away(error)
        event(logging.INFO, "lease-given", "loops are given back so that each collector has its share", loops=len(loops))

    async def _poll_for(self, held: Mapping[str, int]) -> None:
        """Have one poller for each endpoint that serves a held loop; a device for one client is left when we may have lost it."""
        sure = self._leases.sure
        endpoints = self._loaded.site.endpoints
        for name, endpoint in endpoints.items():
            wanted = frozenset(held) & loops_of(self._loaded.site, name)
            if takes_one_client(endpoint) and not sure:
                wanted = frozenset()
            if wanted == self._polled.get(name, frozenset()):
                continue
            await self._supervisor.remove(f"poller {name}")
            self._polled[name] = wanted
            part = self._loaded.site.model_copy(
                update={"loops": {loop: self._loaded.site.loops[loop] for loop in self._loaded.site.loops if loop in wanted}}
            )
            poller = self._make_poller(part, name)
            if poller is not None and wanted:
                self._supervisor.add(f"poller {name}", poller.run, stage=Stage.INTAKE, restart=True)

    def _away(self, error: StoreError) -> None:
        self._live.count("lease_errors")
        if PROBLEM not in self._live.problems:
            since = datetime.fromtimestamp(self._clock.now(), UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
            self._live.problems[PROBLEM] = (
                f"the leases cannot be renewed since {since} ({error.what}); what is held is verified in memory meanwhile,"
                " and another collector may have taken it over"
            )
            event(logging.ERROR, "leases-away", "the leases cannot be renewed", repeat_key="leases", reason=str(error))
            self._live.touch()

    def _show(self, turn: Turn) -> None:
        """What pages and metrics say of the sharing."""
        live = self._live
        pages = {member.owner: member.page for member in turn.members}
        held = frozenset(self._adopted)
        elsewhere = {loop: pages.get(turn.owners.get(loop, ""), "") for loop in live.site.loops if loop not in held}
        if (held, elsewhere) != (live.held, live.elsewhere):
            live.held, live.elsewhere = held, elsewhere
            live.touch()
        live.acts_for_site = SITE in turn.held
        live.members = len(turn.members)
        live.counters["foreign_rows"] = self._store.foreign
        others = sorted({page for page in elsewhere.values() if page})
        several = f"{len(turn.members)} collectors share {len(live.site.loops)} loops"
        count = several if len(turn.members) > 1 else "No other collector is there to take over"
        text = f"{count}; this one verifies {', '.join(sorted(held)) or 'none'}."
        if others:
            text += f" The others show on {', '.join(others)}."
        if len({member.site_sha256 for member in turn.members}) > 1:
            text += " Their site files differ: put the same one in force everywhere."
        live.notes[NOTE] = text

    async def _off_loop(self, work: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._executor, work)


def takes_one_client(endpoint: object) -> bool:
    """Whether a device takes one connection only: a serial line, or one that the site file says so of."""
    serial = isinstance(endpoint, ModbusEndpoint) and endpoint.transport is Transport.RTU
    return serial or bool(getattr(endpoint, "one_client", False))


def loops_of(site: Site, endpoint: str) -> frozenset[str]:
    """The loops that have a tag on an endpoint."""
    return frozenset(
        loop_id
        for loop_id, loop in site.loops.items()
        if any(getattr(tag, "endpoint", "") == endpoint for tag in loop.tags.values())
    )


def units_of(site: Site) -> list[frozenset[str]]:
    """The loops in groups that one collector takes as a whole: those that meet on a device for one client stay together."""
    units = [frozenset((loop,)) for loop in site.loops]
    for name, endpoint in site.endpoints.items():
        if takes_one_client(endpoint):
            there = loops_of(site, name)
            together = [unit for unit in units if unit & there]
            if together:
                units = [unit for unit in units if not unit & there] + [frozenset().union(*together)]
    return sorted(units, key=sorted)
