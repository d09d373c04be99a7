"""Roles that come together are put on the grid as if each had come by itself."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from checks.samples import BAD, GOOD, UNCERTAIN
from collector.align import Aligner
from collector.reading import Reading
from tests.collector.two_sides import two_sides

T0 = 1_800_000_000
GAUGE = ("flow", "load", "gauge_range_high")
PLC = ("plc_flow", "plc_total", "drive_running")
SITE = two_sides(
    {
        "drive_running": {"endpoint": "plc", "node": "ns=2;s=R"},
        "flow": {"endpoint": "gauge", "address": 0},
        "gauge_range_high": {"endpoint": "gauge", "address": 4},
        "load": {"endpoint": "gauge", "address": 2},
        "plc_flow": {"endpoint": "plc", "node": "ns=2;s=F"},
        "plc_total": {"endpoint": "plc", "node": "ns=2;s=T", "period": 5.0},
        "moisture": {"endpoint": "plc", "node": "ns=2;s=M"},
    }
)


@dataclass(frozen=True)
class Came:
    """What one request brought, behind so many seconds, and whether the grid is closed then."""

    behind: float
    roles: tuple[str, ...]
    codes: tuple[int, ...]
    ages: tuple[float, ...] | None
    together: bool
    close: bool


BEHIND = st.sampled_from([0.0, 0.05, 0.4, 0.97, 1.0, 1.03, 2.5, 7.0])
AGES = st.sampled_from([0.0, 0.02, 0.3, 1.1, 3.0, 90.0, -0.5, -2.5, math.nan])
CODES = st.sampled_from([GOOD, GOOD, GOOD, GOOD, UNCERTAIN, BAD])


@st.composite
def comes(draw: st.DrawFn) -> Came:
    roles = draw(st.sampled_from([GAUGE, PLC, PLC, PLC[1:]]))
    plain = draw(st.booleans())
    codes = (GOOD,) * len(roles) if plain else tuple(draw(CODES) for _ in roles)
    ages = None
    if roles is not GAUGE:
        one = draw(AGES)
        ages = (one,) * len(roles) if draw(st.booleans()) else tuple(draw(AGES) for _ in roles)
    return Came(draw(BEHIND), roles, codes, ages, draw(st.integers(0, 5)) > 0, draw(st.booleans()))


def sources_of(came: Came, now: float) -> list[float | None] | None:
    return None if came.ages is None else [None if math.isnan(age) else now - age for age in came.ages]


def readings_of(came: Came, now: float, values: Sequence[float]) -> list[Reading]:
    sources = sources_of(came, now) or [None] * len(came.roles)
    return [
        Reading("TB-07", role, value, code, now, source)
        for role, value, code, source in zip(came.roles, values, came.codes, sources, strict=True)
    ]


@given(st.lists(comes(), min_size=1, max_size=25), st.booleans())
def test_rows_close_the_samples_of_single_readings(story: list[Came], restarted: bool) -> None:
    after = T0 + 3 if restarted else None
    rows, single = Aligner(SITE, "TB-07", after=after), Aligner(SITE, "TB-07", after=after)
    now = float(T0)
    for number, came in enumerate([*story, Came(9.0, GAUGE, (GOOD,) * 3, None, True, True)]):
        now += came.behind
        values = [math.nan if code == BAD else number + place / 8 for place, code in enumerate(came.codes)]
        readings = readings_of(came, now, values)
        single.take(readings)
        if came.together:
            quality = None if set(came.codes) == {GOOD} else list(came.codes)
            rows.take_row(came.roles, values, quality, now, sources_of(came, now))
        else:
            rows.take(readings)
        if came.close:
            ours, theirs = rows.close_until(now), single.close_until(now)
            np.testing.assert_array_equal(ours.time_s, theirs.time_s)
            np.testing.assert_array_equal(ours.flags, theirs.flags)
            assert list(ours.values) == list(theirs.values)
            for role in theirs.values:
                np.testing.assert_array_equal(ours.values[role], theirs.values[role], role)
                np.testing.assert_array_equal(ours.quality[role], theirs.quality[role], role)
        assert (rows.late, rows.skew_s, rows.next_s) == (single.late, single.skew_s, single.next_s)


def test_what_stood_apart_is_a_row_again_once_its_second_is_closed() -> None:
    grid = Aligner(SITE, "TB-07")
    grid.take_row(GAUGE, [1.0, 2.0, 3.0], None, T0 + 0.2)
    grid.take([Reading("TB-07", "load", math.nan, BAD, T0 + 0.9, reason="timeout")])
    (row,) = grid._rows.values()
    closed = []
    for second in range(1, 5):  # the grid is closed two seconds behind, so that something always waits
        assert row.apart is (second < 4)
        grid.take_row(GAUGE, [second + 1.0, second + 2.0, second + 3.0], None, T0 + second + 0.2)
        closed.append(grid.close_until(T0 + second + 0.3))
    assert [part.values["load"].tolist() for part in closed] == [[], [], [2.0], [3.0]]
    assert not grid.close_until(T0 + 7.5).flags[-3:-2].any()


def test_what_came_before_the_first_row_sets_it_apart_for_its_second_only() -> None:
    grid = Aligner(SITE, "TB-07")
    grid.take([Reading("TB-07", role, math.nan, BAD, T0 + 0.1, reason="not connected") for role in GAUGE])
    for second in range(1, 4):
        grid.take_row(GAUGE, [1.0, 2.0, 3.0], None, T0 + second + 0.2)
        grid.close_until(T0 + second + 0.3)
    assert not any(row.apart for row in grid._rows.values())
