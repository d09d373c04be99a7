"""From evaluations to alerts and messages: episodes, the alert book, the outbox."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping, Sequence
from datetime import date
from functools import partial
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from checks.episodes import EpisodeChange, EpisodeTracker
from checks.evaluation import Evaluation
from collector.access import audit
from collector.alerts.book import AlertBook
from collector.alerts.desk import AlertDesk
from collector.alerts.policy import policy_of
from collector.clock import Clock
from collector.delivery.desk import DeliveryDesk
from collector.delivery.outbox import OutboxWorker, targets_of
from collector.history.state import StateDb
from collector.live import LiveState
from collector.logs import event
from collector.service.supervisor import sleep_or_stop
from config.errors import StoreError
from config.model import Site

PERIOD_S = 1.0
FOLLOWED_S = 300
"""How often the numbers of what stands are written down: tonnes, evidence, shifts [s]."""


class Book(AlertDesk, Protocol):
    """The alert book as the service drives it."""

    def take(
        self, changes: Sequence[EpisodeChange], *, now: float, trackers: Mapping[str, Mapping[str, Any]] | None = None
    ) -> None:
        """Take what changed in the episodes, and the trackers' states; all in one transaction."""
        ...

    def note_suppression(self, loop: str, reason: str, *, now: float) -> None:
        """Take the reason for which the process holds the alerts of a loop back, '' where there is none."""
        ...

    def tick(self, now: float) -> None:
        """Let time pass: shelving that ends, escalation."""
        ...


class Outbox(Protocol):
    """Messages that wait for delivery."""

    async def run(self, stop: asyncio.Event) -> None:
        """Deliver until told to stop; what is not delivered stays for the next start."""
        ...


class Alerts:
    """Gives every evaluation to the tracker of its loop and what changed to the book.

    A book that fails stops nothing: it is counted in `alert_errors`, shown in `live.problems["alerts"]`, and what changed is
    offered again with the next change.
    """

    def __init__(
        self, trackers: Mapping[str, EpisodeTracker], book: Book, outbox: Outbox, live: LiveState, clock: Clock
    ) -> None:
        self.desk: AlertDesk = book
        self.deliveries: DeliveryDesk | None = None
        self._trackers = dict(trackers)
        self._book = book
        self._outbox = outbox
        self._live = live
        self._clock = clock
        self._pending: list[EpisodeChange] = []
        self._reasons: dict[str, str] = {}
        self._noted: dict[str, str] = {}
        self._followed: dict[str, int] = {}
        self._waiting: int | None = None

    def take(self, evaluation: Evaluation) -> None:
        """Take one evaluation, in order of time."""
        tracker = self._trackers[evaluation.loop]
        changes = tracker.update(evaluation)
        self._pending += changes
        if changes or evaluation.time_s - self._followed.setdefault(evaluation.loop, evaluation.time_s) >= FOLLOWED_S:
            self._followed[evaluation.loop] = evaluation.time_s
            changed = {change.episode.id for change in changes}
            still = [episode for episode in tracker.open if episode.id not in changed]
            self._pending += [EpisodeChange(kind="refined", episode=episode, time_s=evaluation.time_s) for episode in still]
        self._live.standing[evaluation.loop] = tuple(episode.finding for episode in tracker.open)
        if self._noted.get(evaluation.loop) == evaluation.suppressed:
            self._reasons.pop(evaluation.loop, None)
        else:
            self._reasons[evaluation.loop] = evaluation.suppressed
        self._offer()

    async def run(self, stop: asyncio.Event) -> None:
        """Let time pass for the book, and deliver, until told to stop."""
        delivering = asyncio.create_task(self._outbox.run(stop), name="outbox")
        try:
            deadline = self._clock.monotonic()
            while not stop.is_set() and not delivering.done():
                self._tick()
                self._offer()
                deadline = max(deadline + PERIOD_S, self._clock.monotonic())
                await sleep_or_stop(self._clock, deadline, stop)
            await delivering
        finally:
            delivering.cancel()

    def _offer(self) -> None:
        if not self._pending and not self._reasons:
            return
        try:
            if self._pending:
                touched = dict.fromkeys(change.episode.loop for change in self._pending)
                trackers = {loop: self._trackers[loop].state() for loop in touched}
                self._book.take(tuple(self._pending), now=self._clock.now(), trackers=trackers)
                self._pending.clear()
                self._live.touch()
            for loop, reason in list(self._reasons.items()):
                self._book.note_suppression(loop, reason, now=self._clock.now())
                self._noted[loop] = self._reasons.pop(loop)
        except Exception as error:  # noqa: BLE001 - kept, counted, shown, and offered again
            self._failed(error)
        else:
            self._live.problems.pop("alerts", None)

    def _tick(self) -> None:
        try:
            self._book.tick(self._clock.now())
            waiting = self._book.waiting()
        except StoreError as error:
            self._failed(error)
            return
        if waiting != self._waiting:
            self._waiting = waiting
            self._live.touch()

    def _failed(self, error: Exception) -> None:
        self._live.count("alert_errors")
        self._live.problems["alerts"] = f"alerts cannot be written ({error}); they are kept and tried again"
        event(logging.ERROR, "alerts-failed", "alerts cannot be written", repeat_key="alerts", reason=str(error))


def open_alerting(site: Site, state: StateDb, live: LiveState, clock: Clock, *, page: str = "") -> Alerts:
    """The alerts of a site over its state database, with trackers and book as the last run left them."""
    book = AlertBook(state, policy_of(site))
    kept = book.trackers()
    trackers = {loop: tracker_of(site, loop, kept.get(loop)) for loop in site.loops}
    watched = {episode.id for tracker in trackers.values() for episode in tracker.open}
    book.end_unwatched(watched, now=clock.now())
    book.audit_head = partial(audit_head, state, ZoneInfo(site.time_zone))
    targets = targets_of(site)
    alerts = Alerts(trackers, book, OutboxWorker(state, site, targets, clock, page=page), live, clock)
    alerts.deliveries = DeliveryDesk(state, site, targets)
    return alerts


def tracker_of(site: Site, loop: str, kept: Mapping[str, Any] | None) -> EpisodeTracker:
    """The episodes of a loop as they were kept; none where another version kept them."""
    tracker = EpisodeTracker(site, loop)
    try:
        if kept is not None:
            tracker.restore(kept)
    except (KeyError, TypeError, ValueError) as error:
        event(
            logging.WARNING, "episodes-lost", "the episodes of a loop were stored by another version and begin anew",
            loop=loop, reason=f"{type(error).__name__}: {error}",
        )  # fmt: skip
        return EpisodeTracker(site, loop)
    return tracker


def audit_head(state: StateDb, zone: ZoneInfo, day: date) -> str:
    """The end of the audit log at the end of a local day, as the daily summary carries it away; '' where there is no entry."""
    found = audit.audit_head(state, day, zone)
    return "" if found is None else f"entry {found.number}, {found.sha256}"
