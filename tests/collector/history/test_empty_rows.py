"""The empties ledger in the state database: kept over a restart, written once, forgotten after its time."""

from __future__ import annotations

from checks.empties import KEPT_S
from tests.checks.tools_for_empties import stretch
from tests.collector.history.conftest import Opener

DAY_S = 86400
T0 = 1_800_000_000


def test_stretches_come_back_as_they_were_after_a_restart(opened: Opener) -> None:
    kept = [stretch(T0 + day * DAY_S, events=(("tare", T0), ("stood", T0 + 5)), turns=None, flow=None) for day in range(3)]
    store = opened()
    store.add_empties("TB-07", kept)
    store.add_empties("TB-08", kept[:1])
    store.add_empties("TB-09", [])
    store.close()
    again = opened()
    assert again.empties("TB-07") == kept
    assert again.empties("TB-08") == kept[:1]
    assert again.empties("TB-09") == []


def test_stretch_that_comes_again_stays_as_it_is(opened: Opener) -> None:
    store = opened()
    store.add_empties("TB-07", [stretch(T0)])
    store.add_empties("TB-07", [stretch(T0, ln_net=1.0), stretch(T0 + 600)])
    assert store.empties("TB-07") == [stretch(T0), stretch(T0 + 600)]


def test_what_is_older_than_the_ledger_keeps_goes(opened: Opener) -> None:
    store = opened()
    store.add_empties("TB-07", [stretch(T0)])
    store.add_empties("TB-08", [stretch(T0)])
    store.add_empties("TB-07", [stretch(T0 + KEPT_S + DAY_S)])
    assert store.empties("TB-07") == [stretch(T0 + KEPT_S + DAY_S)]
    assert store.empties("TB-08") == [stretch(T0)]


def test_times_that_are_left_out_join_where_they_touch_and_go_with_the_ledger(opened: Opener) -> None:
    store = opened()
    store.void_empties("TB-07", [(T0, T0 + 60), (T0 + 600, T0 + 660)])
    store.void_empties("TB-07", [(T0 - 10, T0 + 70)])
    store.void_empties("TB-08", [])
    assert store.voids("TB-07") == [(T0 - 10, T0 + 70), (T0 + 600, T0 + 660)]
    store.void_empties("TB-07", [(T0 + 71, T0 + 599)])
    store.close()
    again = opened()
    assert again.voids("TB-07") == [(T0 - 10, T0 + 660)]
    assert again.voids("TB-08") == []
    again.void_empties("TB-07", [(T0 + KEPT_S + DAY_S, T0 + KEPT_S + DAY_S + 10)])
    assert again.voids("TB-07") == [(T0 + KEPT_S + DAY_S, T0 + KEPT_S + DAY_S + 10)]
