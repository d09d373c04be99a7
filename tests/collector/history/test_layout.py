from __future__ import annotations

from pathlib import Path

import pytest

from collector.history.layout import Layout, day_name, day_number, day_of


def test_days_of_known_moments() -> None:
    # computed: 2026-07-16 is 20,650 days after 1970-01-01 by the Gregorian calendar (date.toordinal)
    assert day_of(20_650 * 86_400) == day_of(20_650 * 86_400 + 86_399.999) == 20_650
    assert day_name(20_650) == "2026-07-16"
    assert day_number("2026-07-16") == 20_650


@pytest.mark.parametrize("name", ["2026-7-16x", "", "16.07.2026", "2026-02-30"])
def test_other_names_are_no_days(name: str) -> None:
    with pytest.raises(ValueError, match=r"format|day is out of range|unconverted|match"):
        day_number(name)


def test_sweep_removes_what_a_kill_left_halfway_and_nothing_else(tmp_path: Path) -> None:
    layout = Layout(tmp_path / "data")
    layout.make()
    (layout.root / "archive" / "TB-07").mkdir()
    kept = ("hot/2026-07-16.db", "hot/2026-07-16.db-wal", "archive/TB-07/2026-07-14.parquet")
    left = ("hot/2026-07-15.db-wal", "hot/2026-07-15.db-shm", "archive/TB-07/2026-07-15.tmp")
    for name in (*kept, *left):
        (layout.root / name).touch()
    layout.sweep()
    assert sorted(str(path.relative_to(layout.root)) for path in layout.root.rglob("*.*")) == sorted(kept)


def test_hot_days_are_listed_in_order_and_strangers_left_out(tmp_path: Path) -> None:
    layout = Layout(tmp_path / "data")
    layout.make()
    for name in ("2026-07-17.db", "2026-07-16.db", "notes.db", "2026-07-15.db-wal"):
        (layout.root / "hot" / name).touch()
    assert layout.hot_days() == [20_650, 20_651]
