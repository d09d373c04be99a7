"""The outbox: messages wait in the database until a target has taken them. At least once, each with its key."""

from __future__ import annotations

import asyncio
import json
import logging
import random
from collections.abc import Mapping
from typing import Protocol

import sqlalchemy as sa

from collector.alerts.stored import finding_of
from collector.clock import Clock
from collector.delivery.mail import Mail
from collector.delivery.message import Message, alert_message
from collector.delivery.webhook import Webhook
from collector.history.state import StateDb
from collector.history.tables import OUTBOX
from collector.logs import event
from config.model import MailDelivery, Site

PERIOD_S = 1.0
FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 900.0
GIVE_UP_AFTER = 50
"""Attempts (about twelve hours) after which a message is dead: it stays visible and is tried no more."""


class Target(Protocol):
    """Somewhere a message can go."""

    @property
    def shown(self) -> str:
        """Where it goes, without what is secret."""
        ...

    async def send(self, message: Message) -> None:
        """Deliver, or raise OSError where another try is worth it."""
        ...


def targets_of(site: Site) -> dict[str, Target]:
    """The targets of a site file.

    Raises
    ------
    TallywireError
        A secret is missing or others may read it.
    """
    return {
        name: Mail(name, delivery) if isinstance(delivery, MailDelivery) else Webhook(name, delivery)
        for name, delivery in site.deliveries.items()
    }


def wait_s(attempts: int, jitter: float) -> float:
    """Seconds until the next try after `attempts` failed ones; `jitter` 0..1 takes up to a half off."""
    return float(min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(attempts - 1, 20))) * (1.0 - 0.5 * jitter)


class OutboxWorker:
    """Delivers what is due, one message at a time for each target, in order of their entry."""

    def __init__(self, state: StateDb, site: Site, targets: Mapping[str, Target], clock: Clock, *, page: str = "") -> None:
        self._state = state
        self._site = site
        self._targets = targets
        self._clock = clock
        self._page = page

    async def run(self, stop: asyncio.Event) -> None:
        """Deliver until told to stop; what is not delivered stays for the next start."""
        while not stop.is_set():
            await self.deliver_due()
            waiting = asyncio.ensure_future(self._clock.sleep_until(self._clock.monotonic() + PERIOD_S))
            stopping = asyncio.ensure_future(stop.wait())
            try:
                await asyncio.wait({waiting, stopping}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                waiting.cancel()
                stopping.cancel()

    async def deliver_due(self) -> int:
        """Try the oldest due message of each target; returns how many were delivered."""
        done = await asyncio.gather(*(self._deliver_for(name) for name in self._targets))
        return sum(done)

    async def _deliver_for(self, name: str) -> int:
        delivered = 0
        while (row := self._due(name)) is not None:
            try:
                await self._targets[name].send(self._message(row))
            except OSError as error:
                self._failed(row, str(error))
                return delivered
            with self._state.transaction() as connection:
                connection.execute(OUTBOX.update().where(OUTBOX.c.id == row.id).values(delivered=self._clock.now(), error=""))
            delivered += 1
        return delivered

    def _due(self, name: str) -> sa.Row[tuple[object, ...]] | None:
        wanted = (
            sa.select(OUTBOX)
            .where(OUTBOX.c.target == name, OUTBOX.c.delivered.is_(None), OUTBOX.c.dead.is_(False))
            .order_by(OUTBOX.c.id)
            .limit(1)
        )
        with self._state.transaction() as connection:
            row = connection.execute(wanted).one_or_none()
        return row if row is not None and row.next_try <= self._clock.now() else None

    def _message(self, row: sa.Row[tuple[object, ...]]) -> Message:
        body = json.loads(row.message)
        return alert_message(row.key, body["kind"], body["alert"], finding_of(body["alert"]["finding"]), self._site, self._page)

    def _failed(self, row: sa.Row[tuple[object, ...]], reason: str) -> None:
        attempts = row.attempts + 1
        dead = attempts >= GIVE_UP_AFTER
        with self._state.transaction() as connection:
            connection.execute(
                OUTBOX.update()
                .where(OUTBOX.c.id == row.id)
                .values(
                    attempts=attempts, error=reason, dead=dead, next_try=self._clock.now() + wait_s(attempts, random.random())
                )
            )
        event(
            logging.ERROR if dead else logging.WARNING,
            "delivery-dead" if dead else "delivery-failed",
            "a message was given up" if dead else "a message was not taken; it will be tried again",
            repeat_key=row.target, target=row.target, attempts=attempts, reason=reason,
        )  # fmt: skip

    def backlog(self) -> dict[str, int]:
        """Messages that wait and that are dead."""
        with self._state.transaction() as connection:
            rows = connection.execute(
                sa.select(OUTBOX.c.dead, sa.func.count()).where(OUTBOX.c.delivered.is_(None)).group_by(OUTBOX.c.dead)
            ).all()
        counted = {bool(dead): int(number) for dead, number in rows}
        return {"waiting": counted.get(False, 0), "dead": counted.get(True, 0)}
