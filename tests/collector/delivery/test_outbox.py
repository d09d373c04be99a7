"""The outbox: at least once, each with its key, in time for every target, and nothing is lost over restarts."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st

from collector.alerts.book import AlertBook
from collector.clock import ManualClock
from collector.delivery import outbox
from collector.delivery.message import Message
from collector.delivery.outbox import FIRST_WAIT_S, GIVE_UP_AFTER, LONGEST_WAIT_S, OutboxWorker, targets_of, wait_s
from collector.delivery.target import RefusedError
from collector.history.state import StateDb
from collector.history.tables import EVENTS, OUTBOX
from config.deliveries import MailDelivery, WebhookDelivery
from config.errors import StoreError, TallywireError
from tests.collector.alerts.raised import T0, change, finding
from tests.collector.delivery.receiver import Receiver
from tests.service.fakes import site
from tests.service.waiting import SOON, until


class Chat:
    """A target in memory: takes messages, or fails as told."""

    def __init__(self) -> None:
        self.taken: list[Message] = []
        self.fails: list[OSError] = []
        self.refuses: set[str] = set()
        self.tries = 0
        self.open = asyncio.Event()
        self.open.set()
        self.in_flight = self.most_in_flight = 0

    @property
    def shown(self) -> str:
        return "chat"

    async def send(self, message: Message) -> None:
        self.tries += 1
        self.in_flight += 1
        self.most_in_flight = max(self.most_in_flight, self.in_flight)
        try:
            await self.open.wait()
            await asyncio.sleep(0)
            if message.fields.get("alert") in self.refuses:
                raise RefusedError("chat: HTTP 400")
            if self.fails:
                raise self.fails.pop(0)
            self.taken.append(message)
        finally:
            self.in_flight -= 1

    @property
    def alerts(self) -> list[str]:
        return [message.fields["alert"][-1] for message in self.taken]


class Box:
    """A state database with a book and a worker over targets in memory."""

    def __init__(self, folder: Path) -> None:
        self.state = StateDb(folder / "state.db")
        self.clock = ManualClock(float(T0))
        self.targets = {"chat": Chat(), "shift": Chat()}
        self.book = AlertBook(self.state, ("chat", "shift"))
        self.worker = OutboxWorker(self.state, site(), self.targets, self.clock, jitter=lambda: 0.0)

    def raise_alert(self, number: int) -> None:
        self.book.take([change(number=number)], now=self.clock.now())

    def restarted(self) -> OutboxWorker:
        return OutboxWorker(self.state, site(), self.targets, self.clock, jitter=lambda: 0.0)


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Box]:
    made = Box(tmp_path)
    yield made
    made.state.close()


async def test_every_target_gets_the_message_once_and_in_order(box: Box) -> None:
    for number in (1, 2, 3):
        box.raise_alert(number)
    assert await box.worker.deliver_due() == 6
    assert await box.worker.deliver_due() == 0
    assert box.targets["chat"].alerts == box.targets["shift"].alerts == ["1", "2", "3"]
    keys = [message.key for target in box.targets.values() for message in target.taken]
    assert len(set(keys)) == 6
    assert box.worker.backlog() == {"waiting": 0, "dead": 0}


async def test_at_most_one_message_is_under_way_to_a_target(box: Box) -> None:
    for number in range(5):
        box.raise_alert(number)
    await box.worker.deliver_due()
    assert box.targets["chat"].most_in_flight == 1


async def test_target_that_is_down_stops_no_other_and_gets_all_when_it_is_back(box: Box) -> None:
    box.targets["chat"].fails = [OSError("down")] * 4
    for number in (1, 2, 3):
        box.raise_alert(number)
    assert await box.worker.deliver_due() == 3
    assert box.targets["shift"].alerts == ["1", "2", "3"]
    for _ in range(200):
        await box.clock.advance(FIRST_WAIT_S)
        await box.worker.deliver_due()
    assert sorted(box.targets["chat"].alerts) == ["1", "2", "3"]


async def test_target_that_is_down_is_not_hammered_however_many_messages_wait(box: Box) -> None:
    box.targets["chat"].fails = [OSError("down")] * 10_000
    for number in range(100):
        box.raise_alert(number)
    for _ in range(600):
        await box.worker.deliver_due()
        await box.clock.advance(1.0)
    # pauses of 5, 10, 20, 40, then 60 s: 4 tries in 75 s, then one a minute
    assert box.targets["chat"].tries <= 14


async def test_refused_message_waits_while_later_ones_pass(box: Box) -> None:
    box.targets["chat"].refuses = {change(number=1).episode.id}
    box.raise_alert(1)
    box.raise_alert(2)
    await box.worker.deliver_due()
    assert box.targets["chat"].alerts == ["2"]
    assert box.worker.backlog() == {"waiting": 1, "dead": 0}
    box.targets["chat"].refuses = set()
    await box.clock.advance(FIRST_WAIT_S)
    await box.worker.deliver_due()
    assert box.targets["chat"].alerts == ["2", "1"]


async def test_message_is_given_up_in_the_end_and_stays_visible(box: Box, caplog: pytest.LogCaptureFixture) -> None:
    box.targets["chat"].refuses = {change(number=1).episode.id}
    box.raise_alert(1)
    for _ in range(GIVE_UP_AFTER + 5):
        await box.worker.deliver_due()
        await box.clock.advance(LONGEST_WAIT_S)
    assert box.targets["chat"].tries == GIVE_UP_AFTER
    assert box.worker.backlog() == {"waiting": 0, "dead": 1}
    (dead,) = box.worker.rows.dead()
    assert (dead.attempts, dead.error) == (GIVE_UP_AFTER, "chat: HTTP 400")
    with box.state.transaction() as connection:
        told = [row.kind for row in connection.execute(sa.select(EVENTS))]
    assert told == ["message-dead"]
    assert [record.levelno for record in caplog.records if getattr(record, "event", "") == "delivery-dead"] == [logging.ERROR]
    box.targets["chat"].refuses = set()
    assert box.worker.rows.revive(box.clock.now()) == 1
    await box.worker.deliver_due()
    assert box.targets["chat"].alerts == ["1"]


async def test_waiting_messages_survive_a_restart(box: Box) -> None:
    box.targets["chat"].fails = [OSError("down")]
    box.raise_alert(1)
    await box.worker.deliver_due()
    await box.clock.advance(FIRST_WAIT_S)
    await box.restarted().deliver_due()
    assert box.targets["chat"].alerts == ["1"]
    assert box.targets["shift"].alerts == ["1"]


async def test_clock_that_steps_back_does_not_hold_messages_back(box: Box) -> None:
    box.targets["chat"].fails = [OSError("down")]
    box.raise_alert(1)
    await box.worker.deliver_due()
    box.clock.step_wall(-30 * 86400.0)
    await box.clock.advance(FIRST_WAIT_S)
    await box.worker.deliver_due()
    assert box.targets["chat"].alerts == ["1"]


async def test_what_was_sent_but_could_not_be_noted_is_not_sent_again(box: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    box.raise_alert(1)
    note = box.worker.rows.delivered

    def refuse(message: int, now: float) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr(box.worker.rows, "delivered", refuse)
    for _ in range(5):
        await box.worker.deliver_due()
    assert box.targets["chat"].tries == 1
    monkeypatch.setattr(box.worker.rows, "delivered", note)
    await box.worker.deliver_due()
    assert box.targets["chat"].tries == 1
    assert box.worker.backlog() == {"waiting": 0, "dead": 0}


async def test_stored_message_of_another_version_ends_neither_the_worker_nor_the_others(box: Box) -> None:
    box.raise_alert(1)
    with box.state.transaction() as connection:
        connection.execute(OUTBOX.update().values(message="{}"))
    box.raise_alert(2)
    await box.worker.deliver_due()
    assert box.targets["chat"].alerts == ["2"]
    assert box.worker.backlog()["waiting"] == 2


async def test_told_to_stop_it_leaves_what_is_under_way_for_the_next_start(box: Box) -> None:
    box.targets["chat"].open.clear()
    box.raise_alert(1)
    stop = asyncio.Event()
    running = asyncio.create_task(box.worker.run(stop))
    await until(lambda: box.targets["chat"].in_flight == 1)
    stop.set()
    await asyncio.wait_for(running, SOON)
    assert box.targets["chat"].in_flight == 0
    assert box.targets["chat"].taken == []
    box.targets["chat"].open.set()
    await box.restarted().deliver_due()
    assert box.targets["chat"].alerts == ["1"]


async def test_running_worker_delivers_what_comes_later(box: Box) -> None:
    stop = asyncio.Event()
    running = asyncio.create_task(box.worker.run(stop))
    box.raise_alert(1)
    while not box.targets["chat"].taken:
        await box.clock.advance(outbox.PERIOD_S)
        await asyncio.sleep(0.001)
    stop.set()
    await asyncio.wait_for(running, SOON)
    assert box.targets["chat"].alerts == ["1"]


async def test_old_delivered_messages_are_forgotten_and_waiting_ones_never(box: Box) -> None:
    box.targets["chat"].fails = [OSError("down")]
    box.raise_alert(1)
    await box.worker.deliver_due()
    assert box.worker.rows.forget(box.clock.now() + 1.0) == 1
    assert box.worker.backlog()["waiting"] == 1


async def test_secret_is_in_no_log_line_and_no_row(
    box: Box, receiver: Receiver, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setenv("CHAT_URL", receiver.url)
    receiver.statuses.append(503)
    caplog.set_level(logging.INFO, logger="tallywire")
    deliveries = {"chat": WebhookDelivery(kind="webhook", url_env="CHAT_URL")}
    targets = targets_of(site().model_copy(update={"deliveries": deliveries}))
    worker = OutboxWorker(box.state, site(), targets, box.clock, jitter=lambda: 0.0)
    box.raise_alert(1)
    assert await worker.deliver_due() == 0
    await box.clock.advance(FIRST_WAIT_S)
    assert await worker.deliver_due() == 1
    ours = [record for record in caplog.records if record.name.startswith("tallywire")]
    assert ours
    assert "s3cr3t" not in str([vars(record) for record in ours])
    with box.state.transaction() as connection:
        assert "s3cr3t" not in str(connection.execute(sa.select(OUTBOX)).all())
    assert len(set(receiver.keys)) == 1
    assert receiver.taken[0]["data"]["sentence"] == finding().sentence


def test_targets_are_made_from_the_site_file_and_a_missing_secret_is_one_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CHAT_URL", "https://chat.terminal.example/hooks/1")
    made = targets_of(
        site().model_copy(
            update={
                "deliveries": {
                    "chat": WebhookDelivery(kind="webhook", url_env="CHAT_URL"),
                    "shift": MailDelivery(
                        kind="mail", server="mail.terminal.example", sender="a@b.example", to=("c@d.example",)
                    ),
                }
            }
        )
    )
    assert {name: target.shown for name, target in made.items()} == {
        "chat": "webhook to chat.terminal.example",
        "shift": "mail through mail.terminal.example to c...@d.example",
    }
    monkeypatch.delenv("CHAT_URL")
    with pytest.raises(TallywireError, match="CHAT_URL is not set"):
        targets_of(site().model_copy(update={"deliveries": {"chat": WebhookDelivery(kind="webhook", url_env="CHAT_URL")}}))


@given(attempts=st.integers(1, 10_000), jitter=st.floats(0.0, 1.0))
def test_waits_grow_to_a_limit_and_jitter_takes_at_most_half(attempts: int, jitter: float) -> None:
    whole = wait_s(attempts, 0.0)
    assert FIRST_WAIT_S <= whole <= LONGEST_WAIT_S
    assert whole <= wait_s(attempts + 1, 0.0)
    assert 0.5 * whole <= wait_s(attempts, jitter) <= whole
