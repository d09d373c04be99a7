from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pytest

from checks.samples import BAD, Samples, join
from collector.history.hot import HotDay, HotDays, HotReader
from collector.history.layout import Layout
from tests.collector.history.recorded import DAY, LOOPS, MIDNIGHT, assert_same, recorded


@pytest.fixture
def layout(tmp_path: Path) -> Layout:
    made = Layout(tmp_path / "data")
    made.make()
    return made


@pytest.mark.parametrize("step_s", [1, 5])
def test_three_loops_come_back_to_the_byte(layout: Layout, step_s: int) -> None:
    parts = [recorded(loop, rows=300, step_s=step_s, seed=11) for loop in LOOPS]
    days = HotDays(layout)
    assert days.append(parts) == 900
    days.close()
    with HotReader(layout.hot(DAY)) as hot:
        assert hot.loops() == sorted(LOOPS)
        for part in parts:
            assert_same(hot.read(part.loop, MIDNIGHT, MIDNIGHT + 86_400), part)
            assert hot.extent(part.loop) == (MIDNIGHT, MIDNIGHT + 300 * step_s)
        assert hot.extent("TB-10") is None
        assert hot.read("TB-10", MIDNIGHT, MIDNIGHT + 86_400) is None


def test_role_added_later_is_bad_before_and_kept_after(layout: Layout) -> None:
    early = recorded(rows=30, roles=["flow", "plc_flow"])
    late = recorded(begin=MIDNIGHT + 30, rows=30, roles=["speed", "flow", "plc_flow"])
    other = recorded("TB-08", rows=10)
    days = HotDays(layout)
    days.append([early, other])
    days.append([late])
    days.close()
    with HotReader(layout.hot(DAY)) as hot:
        found = hot.read("TB-07", MIDNIGHT, MIDNIGHT + 60)
        assert_same(hot.read("TB-07", MIDNIGHT + 30, MIDNIGHT + 60), late)
        assert_same(hot.read("TB-07", MIDNIGHT, MIDNIGHT + 30), early)
        assert_same(hot.read("TB-08", MIDNIGHT, MIDNIGHT + 60), other)
    absent = Samples(
        loop=early.loop, time_s=early.time_s, flags=early.flags,
        values={**early.values, "speed": np.full(30, np.nan)}, quality={**early.quality, "speed": np.full(30, BAD, np.uint8)},
    )  # fmt: skip
    assert_same(found, join([absent, late]))


def test_second_is_stored_once_and_stays_as_it_was(layout: Layout) -> None:
    first, again = recorded(rows=60, seed=1), recorded(begin=MIDNIGHT + 30, rows=60, seed=2)
    days = HotDays(layout)
    assert days.append([first]) == 60
    assert days.append([first, first]) == 0
    assert days.append([again]) == 30
    days.close()
    with HotReader(layout.hot(DAY)) as hot:
        assert_same(hot.read("TB-07", MIDNIGHT, MIDNIGHT + 90), join([first, again[slice(30, None)]]))


def test_rows_over_midnight_go_into_two_files(layout: Layout) -> None:
    part = recorded(begin=MIDNIGHT - 10, rows=20)
    days = HotDays(layout)
    assert days.append([part, recorded(rows=0)]) == 20
    days.close()
    assert layout.hot_days() == [DAY - 1, DAY]
    with HotReader(layout.hot(DAY)) as hot:
        assert_same(hot.read("TB-07", 0, 2**40), part[slice(10, None)])


def test_reader_beside_the_writer_sees_what_is_committed(layout: Layout) -> None:
    whole = recorded(rows=50)
    days = HotDays(layout)
    days.append([whole[slice(0, 1)]])
    with HotReader(layout.hot(DAY)) as hot:
        for second in range(1, 50):
            days.append([whole[slice(second, second + 1)]])
            assert_same(hot.read("TB-07", MIDNIGHT, MIDNIGHT + 3600), whole[slice(0, second + 1)])
    days.close()


def test_reader_cannot_write(layout: Layout) -> None:
    HotDay(layout.hot(DAY)).close()
    with HotReader(layout.hot(DAY)) as hot, pytest.raises(sqlite3.OperationalError, match="readonly"):
        hot._connection.execute("DELETE FROM samples")


def test_file_without_tables_is_an_empty_day(layout: Layout) -> None:
    layout.hot(DAY).touch()
    with HotReader(layout.hot(DAY)) as hot:
        assert hot.loops() == []
        assert hot.extent("TB-07") is None
        assert hot.read("TB-07", MIDNIGHT, MIDNIGHT + 60) is None


def test_log_left_without_its_file_is_not_taken_for_the_log_of_a_new_one(layout: Layout) -> None:
    days = HotDays(layout)
    days.append([recorded(rows=60)])
    path = layout.hot(DAY)
    log = path.with_name(path.name + "-wal").read_bytes()
    days.remove(DAY)
    path.with_name(path.name + "-wal").write_bytes(log)
    late = recorded("TB-08", rows=5)
    assert days.append([late]) == 5
    with HotReader(path) as hot:
        assert hot.loops() == ["TB-08"]
        assert_same(hot.read("TB-08", MIDNIGHT, MIDNIGHT + 5), late)
    days.close()


def test_many_days_keep_few_files_open(layout: Layout) -> None:
    days = HotDays(layout)
    for day in (5, 3, 9, 1, 7, 3):
        days.append([recorded(begin=day * 86_400, rows=3, seed=day)])
    assert len(days._open) <= 3
    assert layout.hot_days() == [1, 3, 5, 7, 9]
    days.close()


def test_failed_append_leaves_no_role_behind(layout: Layout, monkeypatch: pytest.MonkeyPatch) -> None:
    day = HotDay(layout.hot(DAY))
    good, bad = recorded(rows=5, roles=["flow"]), recorded("TB-08", rows=5, roles=["flow", "ai_raw"])
    broken = Samples(
        loop=bad.loop, time_s=bad.time_s, values=bad.values, quality=bad.quality, flags=bad.flags[:3]
    )  # columns of unequal length
    with pytest.raises(ValueError, match="zip"):
        day.append([good, broken])
    assert day.append([good, bad]) == 10
    day.close()
    with HotReader(layout.hot(DAY)) as hot:
        assert_same(hot.read("TB-08", MIDNIGHT, MIDNIGHT + 5), bad)
