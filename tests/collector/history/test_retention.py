"""What goes and what stays: days beyond the retention, the oldest days of a full disk, old rollups, delivered messages."""

from __future__ import annotations

import pytest
import sqlalchemy as sa

from checks.build import BlockBuilder
from checks.merge import TreeMerger
from collector.alerts.book import AlertBook
from collector.history import retention
from collector.history.outbox_rows import OutboxRows
from collector.history.tables import MANIFEST
from collector.history.tiers import DELIVERED_KEPT_S, TieredStore
from config.model import History
from tests.collector.alerts.raised import change
from tests.collector.history.conftest import Opener
from tests.collector.history.recorded import DAY, DAY_S, MIDNIGHT, recorded, terminal

DAYS = 12
LOOPS = ("TB-07", "TB-08")


def filled(opened: Opener, kept: History) -> TieredStore:
    """Twelve sealed days of two loops."""
    store = opened(site=terminal(history=kept))
    for day in range(DAY, DAY + DAYS):
        for loop in LOOPS:
            store.put_sealed(recorded(loop, begin=day * DAY_S, rows=5), day)
    return store


def days_of(store: TieredStore, loop: str = "TB-07") -> list[int]:
    return [int(part.time_s[0]) // DAY_S for part in store.scan(loop, 0, 2**40)]


def test_days_beyond_the_retention_go_with_their_files_and_no_others(opened: Opener) -> None:
    store = filled(opened, History(raw=5 * 86_400.0))
    now = (DAY + DAYS) * DAY_S + 10.0
    assert store.retain(now) == 2 * (DAYS - 5)
    assert days_of(store) == list(range(DAY + DAYS - 5, DAY + DAYS))
    assert len(list(store.layout.root.glob("archive/*/*.parquet"))) == 2 * 5
    with store.state.transaction() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(MANIFEST)).scalar_one() == 2 * 5
    assert store.retain(now) == 0


def test_nothing_goes_where_samples_are_kept_for_ever(opened: Opener) -> None:
    store = filled(opened, History(raw=None))
    assert store.retain((DAY + 10_000) * DAY_S) == 0
    assert len(days_of(store)) == DAYS


def test_full_disk_costs_the_oldest_days_until_there_is_room_with_an_event(
    opened: Opener, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = filled(opened, History(raw=None))
    room = iter([0, 0, retention.LEAST_FREE_B])
    monkeypatch.setattr(retention, "free_bytes", lambda folder: next(room))
    assert store.retain((DAY + DAYS) * DAY_S + 10.0) == 4
    assert days_of(store) == list(range(DAY + 2, DAY + DAYS))
    (told,) = store.events(0, 2**40)
    assert told.kind == "history-dropped"
    assert "2 days up to 2026-07-17" in told.text


def test_last_week_is_kept_however_full_the_disk_is(opened: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    store = filled(opened, History(raw=None))
    monkeypatch.setattr(retention, "free_bytes", lambda folder: 0)
    store.retain((DAY + DAYS) * DAY_S + 10.0)
    assert len(days_of(store)) == retention.ALWAYS_KEPT_D


def test_rollups_go_by_their_own_times_also_of_loops_that_have_left(opened: Opener) -> None:
    store = opened(site=terminal(history=History(raw=None, minute=3_600.0, hour=7_200.0)))
    for loop in LOOPS:
        part = recorded(loop, rows=4 * 3600, roles=())
        for merged in TreeMerger().push(BlockBuilder(terminal(), loop).push(part)).values():
            store.add_rollups(merged)
    store.retain(MIDNIGHT + 4 * 3600.0)
    for loop in LOOPS:
        minutes, hours = store.rollups(loop, 60, 0, 2**40), store.rollups(loop, 3600, 0, 2**40)
        assert minutes is not None
        assert hours is not None
        assert minutes.start_s.tolist() == list(range(MIDNIGHT + 3 * 3600, MIDNIGHT + 4 * 3600, 60))
        assert hours.start_s.tolist() == [MIDNIGHT + 2 * 3600, MIDNIGHT + 3 * 3600]


def test_delivered_messages_go_in_the_end_and_waiting_ones_stay(opened: Opener) -> None:
    store = opened()
    AlertBook(store.state, ("chat", "shift")).take([change()], now=100.0)
    rows = OutboxRows(store.state)
    first = rows.due("chat", 100.0, 900.0)
    assert first is not None
    rows.delivered(first.id, 200.0)
    store.retain(200.0 + DELIVERED_KEPT_S)
    assert rows.backlog() == {"waiting": 1, "dead": 0}
    with store.state.transaction() as connection:
        assert connection.execute(sa.text("SELECT count(*) FROM outbox")).scalar_one() == 2
    store.retain(201.0 + DELIVERED_KEPT_S)
    with store.state.transaction() as connection:
        assert connection.execute(sa.text("SELECT target FROM outbox")).scalars().all() == ["shift"]
