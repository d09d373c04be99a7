from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from collector.history.store import Trend
from collector.web.drawing import HEIGHT, LEFT, RIGHT, TABLE_ROWS, TOP, WIDTH, draw, nice_ticks

ZONE = ZoneInfo("Asia/Kolkata")


def trend(values: list[float], begin: int = 0, step: int = 60) -> Trend:
    mean = np.array(values)
    times = begin + step * np.arange(len(values), dtype=np.int64)
    return Trend(
        loop="TB-07", role="flow", unit="t/h", step_s=step, time_s=times, minimum=mean - 1, mean=mean, maximum=mean + 1
    )


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [(0, 400, [0, 100, 200, 300, 400]), (0, 294, [0, 100, 200, 300]), (0, 0, [0, 0.5, 1]), (-3, 7, [-5, 0, 5, 10])],
)
def test_ticks_are_round_and_cover_the_range(low: float, high: float, ticks: list[float]) -> None:
    found = nice_ticks(low, high)
    assert found[0] <= low
    assert found[-1] >= high
    if (low, high) != (0, 0):
        assert found == ticks


def test_line_runs_from_edge_to_edge_and_the_top_is_the_highest_tick() -> None:
    picture = draw([("gauge flow", "gauge", trend([0.0, 400.0]))], 0, 60, ZONE)
    assert picture is not None
    first, last = picture.series[0][2][0].split()
    assert first == f"{LEFT},{HEIGHT - 24:.1f}"
    assert last == f"{WIDTH - RIGHT:.1f},{TOP:.1f}"


def test_gap_parts_the_line() -> None:
    picture = draw([("gauge flow", "gauge", trend([1.0, 2.0, np.nan, 4.0, 5.0]))], 0, 300, ZONE)
    assert picture is not None
    assert [len(line.split()) for line in picture.series[0][2]] == [2, 2]


def test_table_and_sentence_tell_the_same_numbers() -> None:
    picture = draw([("gauge flow", "gauge", trend([100.0] * 4 + [200.0] * 4))], 0, 480, ZONE)
    assert picture is not None
    assert [values[0] for _, values in picture.rows] == [100.0] * 4 + [200.0] * 4
    assert len(picture.rows) == TABLE_ROWS
    assert picture.sentence.replace("\u00a0", " ") == "gauge flow: mean 150.0 t/h, from 99.0 t/h to 201.0 t/h."


def test_hours_stand_at_whole_local_times() -> None:
    picture = draw([("gauge flow", "gauge", trend([1.0] * 120))], 0, 7200, ZONE)
    assert picture is not None
    assert [label.text for label in picture.hours][:2] == ["05:40", "06:00"]


def test_nothing_to_draw_is_no_picture() -> None:
    assert draw([("gauge flow", "gauge", trend([np.nan]))], 0, 60, ZONE) is None
    assert draw([], 0, 60, ZONE) is None
