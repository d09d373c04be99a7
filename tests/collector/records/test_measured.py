"""Hours and tonnes of a period, from the blocks that are stored."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from checks.blocks import Blocks
from collector.records import measured
from tests.checks.reliability.test_timeline import BEGIN, blocks
from tests.collector.web import plant


class Stored(plant.MemoryStore):
    """Hours from BEGIN on, and minutes of the last of them only."""

    def __init__(self, hours: int, minutes_from: int) -> None:
        super().__init__()
        rows = [(hour, "loaded", 1.0) for hour in range(hours)]
        self._of = {3600: filled(blocks(rows, 3600), 240.0)}
        self._of[60] = filled(blocks([(m, "loaded", 1.0) for m in range(minutes_from * 60, hours * 60)]), 4.0)

    def rollups(self, loop: str, length_s: int, begin: int, end: int) -> Blocks | None:
        every = self._of[length_s]
        first, last = np.searchsorted(every.start_s, [begin, end])
        return every[slice(int(first), int(last))] if last > first else None


def filled(part: Blocks, tonnes: float) -> Blocks:
    count = len(part)
    return part.with_arrays({"increment_t": np.full((count, 2), tonnes), "own_t": np.full(count, tonnes)})


def test_minutes_are_read_where_they_reach_back_else_hours() -> None:
    store = Stored(hours=48, minutes_from=40)
    late = measured.blocks_of(store, "TB-07", BEGIN + 41 * 3600, BEGIN + 48 * 3600)
    early = measured.blocks_of(store, "TB-07", BEGIN, BEGIN + 48 * 3600)
    assert late is not None
    assert early is not None
    assert (late.length_s, early.length_s) == (60, 3600)
    # By hand: 4 t a minute are 240 t an hour.
    assert measured.sums(late) == (7 * 240.0,) * 3
    assert measured.sums(early) == (48 * 240.0,) * 3
    assert measured.blocks_of(store, "TB-07", BEGIN - 7200, BEGIN) is None


def test_a_month_is_read_by_the_hour() -> None:
    store = Stored(hours=48, minutes_from=0)
    found = measured.blocks_of(store, "TB-07", BEGIN, BEGIN + 30 * 86400)
    assert found is not None
    assert found.length_s == 3600
    known = measured.coverage(found, BEGIN, BEGIN + 30 * 86400)
    assert (known.period_h, known.covered_h, known.measured_h) == (720.0, 48.0, 48.0)
    assert known.states_h == {"loaded": 48.0}


def test_nothing_stored_is_nothing_known() -> None:
    assert measured.sums(None) == (None, None, None)
    assert measured.coverage(None, BEGIN, BEGIN + 3600).covered_h == 0.0
    assert [(bar.own, bar.plc) for bar in measured.bars(None, BEGIN, BEGIN + 5400, ZoneInfo("UTC"))] == [(None, None)] * 2


def test_days_are_those_of_the_clock_on_the_wall() -> None:
    # Source: Directive 2000/84/EC: summer time ends on the last Sunday in October, in 2026 the 25th; that day has 25 h.
    zone = ZoneInfo("Europe/Berlin")
    begin, end = (int(datetime(2026, 10, day, 6, tzinfo=zone).timestamp()) for day in (23, 28))
    found = measured.bars(None, begin, end, zone)
    assert [(bar.end - bar.begin) // 3600 for bar in found] == [18, 24, 25, 24, 24, 6]
    assert sum(bar.end - bar.begin for bar in found) == end - begin


def test_hours_of_a_short_period_carry_their_tonnes() -> None:
    store = Stored(hours=8, minutes_from=0)
    found = measured.bars(measured.blocks_of(store, "TB-07", BEGIN, BEGIN + 8 * 3600), BEGIN, BEGIN + 8 * 3600, ZoneInfo("UTC"))
    assert [bar.own for bar in found] == pytest.approx([240.0] * 8)
