"""The outbox: messages wait in the database until a target has taken them. At least once, each with its key."""

from __future__ import annotations

import asyncio
import json
import logging
import random
from collections.abc import Callable, Mapping

from collector.alerts.stored import finding_of
from collector.clock import Clock
from collector.delivery.chat import Chat
from collector.delivery.mail import Mail
from collector.delivery.message import Message, message_of
from collector.delivery.target import RefusedError, Target
from collector.delivery.webhook import Webhook
from collector.history.outbox_rows import OutboxRows, Waiting
from collector.history.state import StateDb
from collector.logs import event
from collector.stopping import or_stop
from config.deliveries import ChatDelivery, Delivery, MailDelivery
from config.errors import StoreError
from config.model import Site

PERIOD_S = 1.0
FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 900.0
LONGEST_PAUSE_S = 60.0
"""A target that does not answer is left alone for at most this time, however many messages wait for it [s]."""
GIVE_UP_AFTER = 50
"""Attempts (about twelve hours) after which a message is dead: it stays visible and is tried no more."""


def targets_of(site: Site) -> dict[str, Target]:
    """The targets of a site file.

    Raises
    ------
    TallywireError
        A secret is missing or others may read it, or an address cannot be used.
    """
    return {name: target_of(name, delivery) for name, delivery in site.deliveries.items()}


def target_of(name: str, delivery: Delivery) -> Target:
    """The target of one delivery; see `targets_of`."""
    if isinstance(delivery, MailDelivery):
        return Mail(name, delivery)
    if isinstance(delivery, ChatDelivery):
        return Chat(name, delivery)
    return Webhook(name, delivery)


def wait_s(attempts: int, jitter: float) -> float:
    """Seconds until the next try after `attempts` failed ones; `jitter` 0..1 takes up to a half off."""
    return float(min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(attempts - 1, 20))) * (1.0 - 0.5 * jitter)


class OutboxWorker:
    """Delivers what is due, one message at a time for each target, the oldest first.

    A message that is refused waits for its next try while later ones pass. A target that does not answer is tried with one
    message at a time, after growing pauses. What was delivered but could not be noted (a full disk) is not sent again.
    """

    def __init__(
        self,
        state: StateDb,
        site: Site,
        targets: Mapping[str, Target],
        clock: Clock,
        *,
        page: str = "",
        jitter: Callable[[], float] = random.random,
    ) -> None:
        self.rows = OutboxRows(state)
        self._site = site
        self._targets = targets
        self._clock = clock
        self._page = page
        self._jitter = jitter
        self._unnoted: set[int] = set()
        self._silent: dict[str, tuple[int, float]] = {}

    async def run(self, stop: asyncio.Event) -> None:
        """Deliver until told to stop; what is under way then is left, and goes out again after the next start."""
        stopping = asyncio.ensure_future(stop.wait())
        try:
            while not stop.is_set():
                await or_stop(self.deliver_due(), stopping)
                await or_stop(self._clock.sleep_until(self._clock.monotonic() + PERIOD_S), stopping)
        finally:
            stopping.cancel()

    async def deliver_due(self) -> int:
        """Deliver what is due to every target at the same time; returns how many were delivered."""
        return sum(await asyncio.gather(*(self._deliver_for(name) for name in self._targets)))

    def backlog(self) -> dict[str, int]:
        """Messages that wait and that are dead."""
        return self.rows.backlog()

    async def _deliver_for(self, name: str) -> int:
        delivered = 0
        try:
            while self._clock.monotonic() >= self._silent.get(name, (0, 0.0))[1]:
                row = self.rows.due(name, self._clock.now(), LONGEST_WAIT_S)
                if row is None:
                    break
                if row.id in self._unnoted or await self._sent(row):
                    self._unnoted.add(row.id)
                    self.rows.delivered(row.id, self._clock.now())
                    self._unnoted.discard(row.id)
                    delivered += 1
        except StoreError as error:
            event(
                logging.ERROR, "outbox-failed", "the outbox cannot be read or written; it is tried again", repeat_key=name,
                reason=str(error),
            )  # fmt: skip
        return delivered

    async def _sent(self, row: Waiting) -> bool:
        """Try one message; a failure is noted and, where the target does not answer, the target left alone for a while."""
        try:
            message = self._message(row)
        except (KeyError, TypeError, ValueError) as error:
            self._failed(row, f"the stored message cannot be read ({type(error).__name__})")
            return False
        try:
            await self._targets[row.target].send(message)
        except RefusedError as error:
            self._silent.pop(row.target, None)
            self._failed(row, str(error))
            return False
        except OSError as error:
            failures = self._silent.get(row.target, (0, 0.0))[0] + 1
            pause = min(LONGEST_PAUSE_S, wait_s(failures, self._jitter()))
            self._silent[row.target] = (failures, self._clock.monotonic() + pause)
            self._failed(row, str(error))
            return False
        self._silent.pop(row.target, None)
        return True

    def _message(self, row: Waiting) -> Message:
        body = json.loads(row.message)
        finding = finding_of(body["alert"]["finding"]) if "alert" in body else None
        return message_of(row.key, body, finding, self._site, self._page)

    def _failed(self, row: Waiting, reason: str) -> None:
        attempts, now = row.attempts + 1, self._clock.now()
        dead = attempts >= GIVE_UP_AFTER
        shown = self._targets[row.target].shown
        if dead:
            about = f"about alert {row.alert}" if row.alert else row.key.partition("/")[0]
            text = f"a message {about} was given up after {attempts} tries ({shown}): {reason}"
            self.rows.given_up(row, reason=reason, now=now, text=text)
        else:
            self.rows.failed(row, reason=reason, next_try=now + wait_s(attempts, self._jitter()))
        event(
            logging.ERROR if dead else logging.WARNING,
            "delivery-dead" if dead else "delivery-failed",
            "a message was given up" if dead else "a message was not taken; it will be tried again",
            repeat_key=row.target, target=row.target, attempts=attempts, reason=reason,
        )  # fmt: skip
