"""The ledger keeps events in order of time and every site file that was in force."""

from __future__ import annotations

from collector.history.store import Event
from tests.collector.history.conftest import Opener


def event(time: float, loop: str = "", kind: str = "clock-step") -> Event:
    return Event(time=time, loop=loop, kind=kind, text=f"at {time}", old="1", new="2")


def test_events_come_back_in_order_of_time_for_the_time_and_loop_asked_for(opened: Opener) -> None:
    store = opened()
    for one in (event(30.0, "TB-07"), event(10.0), event(20.0, "TB-08"), event(40.0, "TB-07")):
        store.add_event(one)
    assert store.events(10.0, 40.0) == [event(10.0), event(20.0, "TB-08"), event(30.0, "TB-07")]
    assert store.events(0.0, 100.0, "TB-07") == [event(30.0, "TB-07"), event(40.0, "TB-07")]
    assert store.events(0.0, 100.0, "") == [event(10.0)]


def test_site_file_in_force_is_known_for_every_time(opened: Opener) -> None:
    ledger = opened().ledger
    assert ledger.config_at(100.0) is None
    assert ledger.note_config("aa", "first", now=100.0)
    assert not ledger.note_config("aa", "first", now=150.0)
    assert ledger.note_config("bb", "second", now=200.0)
    assert ledger.note_config("aa", "first", now=300.0)
    found = [ledger.config_at(time) for time in (99.0, 100.0, 199.0, 200.0, 1000.0)]
    assert [None if one is None else (one.since, one.text) for one in found] == [
        None, (100.0, "first"), (100.0, "first"), (200.0, "second"), (300.0, "first"),
    ]  # fmt: skip


def test_ledger_survives_a_restart(opened: Opener) -> None:
    store = opened()
    store.add_event(event(1.0))
    store.ledger.note_config("aa", "schema: 1\n", now=1.0)
    store.close()
    again = opened(read_only=True)
    assert again.events(0.0, 2.0) == [event(1.0)]
    assert [one.text for one in again.ledger.config_versions()] == ["schema: 1\n"]
