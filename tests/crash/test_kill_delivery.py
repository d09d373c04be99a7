"""kill -9 at every step between an alert and its delivery: all of it is stored or nothing, and what is stored is delivered."""

from __future__ import annotations

from pathlib import Path

import pytest
import sqlalchemy as sa

from collector.clock import SystemClock
from collector.delivery.outbox import OutboxWorker, targets_of
from collector.history.state import StateDb
from collector.history.tables import ALERTS, OUTBOX, TRANSITIONS
from tests.collector.delivery.receiver import Receiver
from tests.collector.history.recorded import terminal
from tests.crash.killing import Victim
from tests.crash.victim import chatting

pytestmark = [pytest.mark.crash, pytest.mark.xdist_group("crash")]

MOST_STEPS = 60


async def test_alert_is_stored_with_its_message_or_not_at_all_and_delivered_at_least_once(
    victim: Victim, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    repeated = never = 0
    for step in range(MOST_STEPS):
        with Receiver() as receiver:
            monkeypatch.setenv("CHAT_URL", receiver.url)
            state_path = tmp_path / f"state{step}.db"
            victim.order(work="deliver", state=str(state_path), step=step, environment={"CHAT_URL": receiver.url})
            finished = [words for words in victim.said() if words[0] == "delivered"]
            state = StateDb(state_path)
            with state.transaction() as connection:
                rows = [
                    connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()
                    for table in (ALERTS, TRANSITIONS, OUTBOX)
                ]
            assert rows in ([0, 0, 0], [1, 1, 1]), f"step {step}: half a change is stored"
            worker = OutboxWorker(state, terminal(), targets_of(chatting()), SystemClock())
            await worker.deliver_due()
            assert worker.backlog() == {"waiting": 0, "dead": 0}
            state.close()
            assert (len(receiver.taken) >= 1) == bool(rows[0]), f"step {step}: lost"
            assert len(set(receiver.keys)) == rows[0], f"step {step}: a repeated message has another key"
            repeated += len(receiver.taken) > 1
            never += rows[0] == 0
        if finished:
            break
    else:
        raise AssertionError("the delivery never came to its end")
    assert never >= 1, "no kill fell before the transaction"
    assert repeated >= 1, "no kill fell between the delivery and its note"
