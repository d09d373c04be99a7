from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
import sqlalchemy as sa

from checks.samples import join
from collector.history.sqlite import SEAL_AFTER_S
from collector.history.store import Event
from collector.history.tables import MANIFEST, SCHEMA, VERSION
from config.errors import StoreError
from config.model import History
from tests.collector.history.conftest import Opener
from tests.collector.history.recorded import DAY, DAY_S, LOOPS, MIDNIGHT, assert_same, recorded, terminal

OVER = MIDNIGHT + DAY_S + SEAL_AFTER_S
"""The moment from which the first day is sealed."""


def test_seal_moves_every_loop_to_the_byte_and_the_hot_file_goes(opened: Opener) -> None:
    store = opened()
    parts = [recorded(loop, rows=700, step_s=5 if loop == "TB-08" else 1) for loop in LOOPS]
    assert store.append(parts) == 2100
    assert store.seal(OVER - 1) == 0
    assert store.seal(OVER) == 3
    assert store.seal(OVER) == 0
    assert store.hot_days() == []
    for part in parts:
        assert_same(join(list(store.scan(part.loop, MIDNIGHT, MIDNIGHT + DAY_S))), part)
        assert store.extent(part.loop) == (MIDNIGHT, MIDNIGHT + 700 * part.step_s)
    with store.state.transaction() as connection:
        rows = connection.execute(sa.select(MANIFEST).order_by(MANIFEST.c.loop)).all()
    assert [(row.loop, row.day, row.rows) for row in rows] == [(loop, DAY, 700) for loop in sorted(LOOPS)]


def test_late_rows_into_a_sealed_day_are_refused_and_change_nothing(opened: Opener) -> None:
    store = opened()
    part = recorded(rows=100)
    store.append([part])
    store.seal(OVER)
    late = recorded(begin=MIDNIGHT + 50, rows=100, seed=9)
    assert store.append([late]) == 0
    assert_same(join(list(store.scan("TB-07", MIDNIGHT, MIDNIGHT + DAY_S))), part)
    border = recorded(begin=MIDNIGHT + DAY_S - 5, rows=10)
    assert store.append([border]) == 5


def test_late_rows_of_a_loop_that_the_day_lacked_are_sealed_after_it(opened: Opener) -> None:
    store = opened()
    store.append([recorded(rows=10)])
    store.seal(OVER)
    late = recorded("TB-08", rows=10)
    assert store.append([late]) == 10
    assert_same(next(store.scan("TB-07", MIDNIGHT, OVER)), recorded(rows=10))
    assert store.seal(OVER) == 1
    assert_same(next(store.scan("TB-08", MIDNIGHT, OVER)), late)
    assert store.hot_days() == []


def test_scan_goes_over_days_and_tiers_in_order_and_cuts_at_both_ends(opened: Opener) -> None:
    store = opened()
    days = [recorded(begin=MIDNIGHT + day * DAY_S + 1000, rows=200, seed=day) for day in (0, 1, 3)]
    store.append(days)
    assert store.seal(OVER + DAY_S) == 2
    found = list(store.scan("TB-07", MIDNIGHT + 1100, MIDNIGHT + 3 * DAY_S + 1100))
    assert [len(part) for part in found] == [100, 200, 100]
    assert_same(join(found), join([days[0][slice(100, None)], days[1], days[2][slice(0, 100)]]))
    assert list(store.scan("TB-07", MIDNIGHT + 1100, MIDNIGHT + 1100)) == []
    assert list(store.scan("TB-07", MIDNIGHT + 1200, MIDNIGHT + 1100)) == []
    assert list(store.scan("TB-09", MIDNIGHT, OVER)) == []
    assert store.extent("TB-07") == (MIDNIGHT + 1000, MIDNIGHT + 3 * DAY_S + 1200)
    assert store.extent("TB-09") is None


def test_history_is_the_same_after_a_restart(opened: Opener) -> None:
    store = opened()
    old, new = recorded(rows=50), recorded(begin=MIDNIGHT + DAY_S, rows=50)
    store.append([old, new])
    store.seal(OVER)
    store.add_event(Event(time=MIDNIGHT + 1.5, loop="TB-07", kind="config-change", text="range", old="400", new="420"))
    store.close()
    again = opened()
    assert_same(join(list(again.scan("TB-07", MIDNIGHT, OVER))), join([old, new]))
    assert again.append([old, new]) == 0
    assert [event.new for event in again.events(MIDNIGHT, OVER)] == ["420"]


def test_reader_of_another_process_keeps_up_with_append_and_seal(opened: Opener) -> None:
    writer = opened()
    reader = opened(read_only=True)
    old, new = recorded(rows=50), recorded(begin=MIDNIGHT + DAY_S, rows=50)
    writer.append([old])
    assert_same(join(list(reader.scan("TB-07", MIDNIGHT, OVER))), old)
    writer.append([new])
    writer.seal(OVER)
    assert_same(join(list(reader.scan("TB-07", MIDNIGHT, OVER))), join([old, new]))
    with pytest.raises(StoreError, match="reading only"):
        reader.append([new])
    with pytest.raises(StoreError, match=r"read-?only"):
        reader.add_event(Event(time=0.0, loop="", kind="x", text=""))


def test_events_are_ordered_and_chosen_by_loop(opened: Opener) -> None:
    store = opened()
    for time, loop in ((30.0, "TB-07"), (10.0, ""), (20.0, "TB-08"), (10.0, "TB-07")):
        store.add_event(Event(time=time, loop=loop, kind="endpoint-lost", text=f"at {time} <b>&\N{SNOWMAN}"))
    assert [(event.time, event.loop) for event in store.events(10.0, 30.0)] == [(10.0, ""), (10.0, "TB-07"), (20.0, "TB-08")]
    assert [event.time for event in store.events(0.0, 100.0, "TB-07")] == [10.0, 30.0]
    assert store.events(10.0, 11.0)[0].text == "at 10.0 <b>&\N{SNOWMAN}"


def test_retention_drops_whole_old_days_and_keeps_the_rest(opened: Opener, tmp_path: Path) -> None:
    store = opened(site=terminal(history=History(raw=2 * DAY_S)))
    for day in range(4):
        store.append([recorded(begin=MIDNIGHT + day * DAY_S, rows=10), recorded("TB-08", MIDNIGHT + day * DAY_S, rows=10)])
    now = MIDNIGHT + 4 * DAY_S + SEAL_AFTER_S
    assert store.seal(now) == 8
    assert store.retain(now) == 4
    assert store.retain(now) == 0
    assert store.extent("TB-07") == (MIDNIGHT + 2 * DAY_S, MIDNIGHT + 3 * DAY_S + 10)
    assert sorted(path.name for path in (tmp_path / "data" / "archive").rglob("*.parquet")) == sorted(
        2 * ["2026-07-18.parquet", "2026-07-19.parquet"]
    )
    assert list(store.scan("TB-07", MIDNIGHT, MIDNIGHT + 2 * DAY_S)) == []


def test_second_service_is_refused_with_the_process_named(embedded: Opener, tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from collector.clock import SystemClock;"
        "from collector.history.sqlite import open_store; from tests.collector.history.recorded import terminal;"
        "open_store(Path(sys.argv[1]), terminal(), clock=SystemClock()); print('open', flush=True); sys.stdin.read()"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "data")]
    root = Path(__file__).parents[3]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=root) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "open\n"
        with pytest.raises(StoreError, match=rf"another Tallywire service \(process {child.pid}\) writes to this data folder"):
            embedded()
        embedded(read_only=True).close()
        child.kill()
        child.wait()
    embedded()


def test_refused_opening_gives_the_folder_back(embedded: Opener, tmp_path: Path) -> None:
    embedded().close()
    state = tmp_path / "data" / "state.db"
    kept = state.read_bytes()
    state.write_bytes(b"this is no database at all, whatever its name" * 100)
    for read_only in (False, True):
        with pytest.raises(StoreError, match="cannot be opened"):
            embedded(read_only=read_only)
    assert state.read_bytes().startswith(b"this is no database")
    state.write_bytes(kept)
    embedded()


@pytest.mark.parametrize("read_only", [False, True])
def test_newer_history_is_refused_and_left_alone(opened: Opener, read_only: bool) -> None:
    store = opened()
    with store.state.transaction() as connection:
        connection.execute(SCHEMA.update().values(version=VERSION + 1))
    store.close()
    with pytest.raises(StoreError, match=f"version {VERSION + 1}") as told:
        opened(read_only=read_only)
    assert "fix:" in str(told.value)


def test_reading_where_nothing_is_makes_nothing(embedded: Opener, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no history here"):
        embedded(read_only=True)
    assert not (tmp_path / "data").exists()


def test_data_folder_that_is_a_file_is_one_clear_error(embedded: Opener, tmp_path: Path) -> None:
    (tmp_path / "data").write_text("a file")
    with pytest.raises(StoreError, match="the data folder cannot be made"):
        embedded()


@pytest.mark.parametrize("name", ["north quay", "50% #1?mode=ro", "läger-ÅÄÖ", "a&b=c"])
def test_folder_with_odd_characters_holds_a_history(embedded: Opener, tmp_path: Path, name: str) -> None:
    store = embedded(folder=tmp_path / name)
    part = recorded(rows=5)
    store.append([part])
    assert_same(next(store.scan("TB-07", MIDNIGHT, OVER)), part)
    assert (tmp_path / name / "state.db").exists()


def test_damaged_hot_file_is_told_not_read_as_a_gap(embedded: Opener, tmp_path: Path) -> None:
    store = embedded()
    store.append([recorded(rows=2000)])
    store.close()
    path = tmp_path / "data" / "hot" / "2026-07-16.db"
    data = bytearray(path.read_bytes())
    data[4096:] = b"\xff" * (len(data) - 4096)
    path.write_bytes(data)
    with pytest.raises(StoreError, match="2026-07-16"):
        list(embedded(read_only=True).scan("TB-07", MIDNIGHT, OVER))


def test_missing_and_damaged_archive_files_are_told(opened: Opener, tmp_path: Path) -> None:
    store = opened()
    store.append([recorded(rows=2000)])
    store.seal(OVER)
    path = tmp_path / "data" / "archive" / "TB-07" / "2026-07-16.parquet"
    path.write_bytes(path.read_bytes()[:-100])
    with pytest.raises(StoreError, match="damaged"):
        list(store.scan("TB-07", MIDNIGHT, OVER))
    path.unlink()
    with pytest.raises(StoreError, match="missing from the archive"):
        list(store.scan("TB-07", MIDNIGHT, OVER))


def test_times_as_numpy_integers_find_the_rows(opened: Opener) -> None:
    """Callers often hold numpy integers, which SQLite would bind as bytes."""
    store = opened()
    part = recorded(rows=5)
    store.append([part])
    begin, end = part.time_s[0], part.time_s[-1] + 1
    assert len(join(list(store.scan("TB-07", begin, end)))) == 5
    assert store.trend("TB-07", "flow", begin, end).step_s == 1
