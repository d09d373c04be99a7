"""Alerts where several collectors share the loops: each follows the loops it holds, one acts for the site, and nothing waits."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from checks.episodes import EpisodeChange, EpisodeTracker
from checks.evaluation import Evaluation
from collector.alerts.book import AlertBook
from collector.alerts.holds import Hold
from collector.alerts.lifecycle import ANNUNCIATED
from collector.alerts.model import Alert
from collector.alerts.performance import Performance, performance_of
from collector.alerts.policy import Policy, policy_of
from collector.clock import Clock
from collector.delivery.desk import DeliveryDesk, DeliveryLine
from collector.delivery.outbox import OutboxWorker, targets_of
from collector.history.leases import Leases
from collector.history.postgres_state import PostgresState, PostgresView
from collector.history.state import StateDb
from collector.live import LiveState
from collector.service.alerting import PERIOD_S, Alerts, Outbox, audit_head, tracker_of
from collector.service.supervisor import sleep_or_stop
from config.errors import StoreError
from config.model import Site

T = TypeVar("T")
MOST_PENDING = 5000
"""Changes that wait for a database that is away; the oldest refinements go first when there are more."""


class SharedBook(AlertBook):
    """The book over a database that may be away: what pages and metrics ask is then answered as it was last read."""

    def __init__(self, state: StateDb, policy: Policy) -> None:
        super().__init__(state, policy)
        self._last: dict[str, Any] = {}

    def standing(self) -> list[Alert]:
        """Alerts that are not normal, most urgent first."""
        nothing: list[Alert] = []
        return list(self._known("standing", super().standing, nothing))

    def waiting(self) -> int:
        """How many alerts wait for an acknowledgement."""
        standing: list[Alert] = self._last.get("standing", [])
        return self._known("waiting", super().waiting, sum(alert.state in ANNUNCIATED for alert in standing))

    def past(self, begin: float, end: float, limit: int = 500) -> list[Alert]:
        """Every time that an alert stood and was raised in a time, newest first."""
        nothing: list[Alert] = []
        return list(self._known("past", partial(super().past, begin, end, limit), nothing))

    def over(self, begin: float, end: float, limit: int = 500) -> list[Alert]:
        """Every time that an alert stood in a time."""
        nothing: list[Alert] = []
        return list(self._known("over", partial(super().over, begin, end, limit), nothing))

    def holds(self) -> list[Hold]:
        """The orders that last."""
        nothing: list[Hold] = []
        return list(self._known("holds", super().holds, nothing))

    def performance(self, begin: float, end: float) -> Performance:
        """The figures of the alarm system in a time."""
        nothing = performance_of([], [], [], None, begin, end, operators=self.policy.operators)
        return self._known("performance", partial(super().performance, begin, end), nothing)

    def _known(self, name: str, ask: Callable[[], T], nothing: T) -> T:
        try:
            answer = self._last[name] = ask()
        except StoreError:
            known: T = self._last.get(name, nothing)
            return known
        return answer


class SharedDeliveries(DeliveryDesk):
    """The deliveries over a database that may be away."""

    _last: tuple[DeliveryLine, ...] = ()

    def lines(self) -> list[DeliveryLine]:
        """The deliveries as they were last read."""
        with contextlib.suppress(StoreError):
            self._last = tuple(super().lines())
        return list(self._last)


class SharedOutbox(OutboxWorker):
    """Delivers while this collector acts for the site."""

    acts: Callable[[], bool] = staticmethod(lambda: False)

    async def deliver_due(self) -> int:
        """Deliver what is due, where it is ours to deliver."""
        return await super().deliver_due() if self.acts() else 0


class SharedAlerts(Alerts):
    """Writes once a second in a thread, so that a database that does not answer stops no reading.

    The book behind it proves the leases in each of its transactions: what a collector that hung for a while still wants to write
    of a loop that another has taken over is refused, and dropped as soon as it learns of that.
    """

    def __init__(self, book: AlertBook, outbox: Outbox, live: LiveState, clock: Clock) -> None:
        super().__init__({}, book, outbox, live, clock)
        self._own_book = book

    def restored(self, loop: str) -> EpisodeTracker:
        """See `sharing.SharedAlerting.restored`; alerts of the loop that nobody follows return."""
        tracker = tracker_of(self._live.site, loop, self._own_book.trackers().get(loop))
        watched = {episode.id for episode in tracker.open}
        self._own_book.end_unwatched(watched, now=self._clock.now(), loops=(loop,))
        return tracker

    def adopt(self, loop: str, restored: object) -> None:
        """See `sharing.SharedAlerting.adopt`."""
        assert isinstance(restored, EpisodeTracker)
        self._trackers[loop] = restored
        self._live.standing[loop] = tuple(episode.finding for episode in restored.open)

    def release(self, loop: str) -> None:
        """See `sharing.SharedAlerting.release`."""
        self._trackers.pop(loop, None)
        self._pending = [change for change in self._pending if change.episode.loop != loop]
        for kept in (self._reasons, self._noted, self._followed):
            kept.pop(loop, None)

    def take(self, evaluation: Evaluation) -> None:
        """Take one evaluation of a loop that is held."""
        if evaluation.loop in self._trackers:
            super().take(evaluation)

    async def run(self, stop: asyncio.Event) -> None:
        """Write what changed, let time pass for the book and deliver, until told to stop."""
        delivering = asyncio.create_task(self._outbox.run(stop), name="outbox")
        try:
            deadline = self._clock.monotonic()
            while not delivering.done():
                ending = stop.is_set()
                await self._write_pending()
                if ending:
                    break
                deadline = max(deadline + PERIOD_S, self._clock.monotonic())
                await sleep_or_stop(self._clock, deadline, stop)
            await delivering
        finally:
            delivering.cancel()

    def _offer(self) -> None:
        """Left to the next second."""

    async def _write_pending(self) -> None:
        pending, self._pending = self._pending, []
        reasons = dict(self._reasons)
        touched = dict.fromkeys(change.episode.loop for change in pending)
        trackers = {loop: self._trackers[loop].state() for loop in touched if loop in self._trackers}
        work = partial(self._write, pending, trackers, reasons, acts=self._live.acts_for_site)
        try:
            await asyncio.to_thread(work)
        except Exception as error:  # noqa: BLE001 - kept, counted, shown, and offered again
            still = [change for change in pending if change.episode.loop in self._trackers]
            self._pending = (still + self._pending)[-MOST_PENDING:]
            self._failed(error)
            return
        self._live.problems.pop("alerts", None)
        for loop, reason in reasons.items():
            self._noted[loop] = reason
            if self._reasons.get(loop) == reason:
                self._reasons.pop(loop)
        if pending:
            self._live.touch()

    def _write(
        self, pending: list[EpisodeChange], trackers: Mapping[str, Mapping[str, Any]], reasons: Mapping[str, str], *, acts: bool
    ) -> None:
        now = self._clock.now()
        if pending:
            self._book.take(pending, now=now, trackers=trackers)
            pending.clear()  # written for good: not offered again where one of the next steps fails
        for loop, reason in reasons.items():
            self._book.note_suppression(loop, reason, now=now)
        if acts:
            self._book.tick(now)


def open_shared_alerting(
    site: Site, state: PostgresState, leases: Leases, live: LiveState, clock: Clock, *, page: str = ""
) -> SharedAlerts:
    """The alerts of a site on a shared database; loops come with the leases. Alerts of loops that left the site return."""
    book = SharedBook(PostgresView(state, leases.prove), policy_of(site))
    strangers = {alert.loop for alert in book.standing()} - site.loops.keys()
    book.end_unwatched((), now=clock.now(), loops=strangers)
    book.audit_head = partial(audit_head, state, ZoneInfo(site.time_zone))
    targets = targets_of(site)
    outbox = SharedOutbox(state, site, targets, clock, page=page)
    outbox.acts = lambda: live.acts_for_site
    alerts = SharedAlerts(book, outbox, live, clock)
    alerts.deliveries = SharedDeliveries(state, site, targets)
    return alerts
