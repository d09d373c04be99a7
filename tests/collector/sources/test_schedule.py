from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.sources.schedule import Slots


def test_deadlines_do_not_drift_with_late_service() -> None:
    slots = Slots("gauge", [1.0], 100.0)
    first, period = slots.next()
    assert 100.0 <= first < 101.0
    for number in range(1, 50):
        assert slots.done(period, slots.next()[0] + 0.3) == 0
        assert slots.next()[0] == pytest.approx(first + number)


def test_missed_slots_are_skipped_and_counted() -> None:
    slots = Slots("gauge", [1.0], 0.0)
    first, _ = slots.next()
    assert slots.done(1.0, first + 3.5) == 3
    assert slots.next()[0] == pytest.approx(first + 4.0)


def test_endpoints_are_spread_over_the_period() -> None:
    phases = sorted(Slots(f"gauge-{number}", [1.0], 0.0).next()[0] for number in range(500))
    assert phases[0] < 0.05
    assert phases[-1] > 0.95
    assert max(after - before for before, after in pairwise(phases)) < 0.05


def test_a_slow_group_is_read_early_once_and_then_at_its_place() -> None:
    slots = Slots("gauge", [60.0], 0.0)
    first, period = slots.next()
    assert first <= 1.0
    slots.done(period, first)
    second, _ = slots.next()
    assert second == pytest.approx(first * 60.0)
    slots.done(period, second)
    assert slots.next()[0] == pytest.approx(second + 60.0)


def test_groups_take_turns_by_deadline() -> None:
    slots = Slots("plc", [0.5, 2.0], 0.0)
    seen = []
    for _ in range(40):
        due, period = slots.next()
        seen.append(due)
        slots.done(period, due)
    assert seen == sorted(seen)


@given(st.lists(st.floats(0.0, 20.0), min_size=1, max_size=30), st.floats(0.05, 5.0))
def test_the_next_deadline_is_always_ahead_and_on_the_grid(delays: list[float], period: float) -> None:
    slots = Slots("gauge", [period], 0.0)
    now = 0.0
    for delay in delays:
        due, _ = slots.next()
        now = max(now, due) + delay
        missed = slots.done(period, now)
        assert missed >= 0
        assert slots.next()[0] > now - 1e-6
        assert slots.next()[0] <= now + period * 1.0001
