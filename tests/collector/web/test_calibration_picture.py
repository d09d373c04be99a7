"""Stretches that are offered as runs, what is shaded beside a window, and what a form of runs means."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from collector.history.store import Trend
from collector.web.calibration_asked import asked
from collector.web.calibration_picture import AROUND, OFFERED, drawn, offers
from collector.web.drawing import LEFT, RIGHT, WIDTH

ZONE = ZoneInfo("America/Regina")
T0 = 1_772_452_800


def trend(flow: list[float], step_s: int = 60) -> Trend:
    mean = np.array(flow)
    times = T0 + step_s * np.arange(len(flow), dtype=np.int64)
    return Trend(loop="TB-07", role="flow", unit="t/h", step_s=step_s, time_s=times, minimum=mean, mean=mean, maximum=mean)


def test_loaded_stretches_are_offered_with_their_tonnes() -> None:
    """Ten minutes of 300 t/h are 50 t; four minutes are too short; below 20 % of 420 t/h is no load."""
    flow = [0.0] * 5 + [300.0] * 10 + [0.0] * 5 + [300.0] * 4 + [0.0] * 5 + [80.0] * 20 + [float("nan")] * 3
    (offer,) = offers(trend(flow), 420.0)
    assert offer.tonnes == pytest.approx(50.0)
    assert (offer.begin, offer.end) == (T0 + 60 * (5 - AROUND), T0 + 60 * (15 + AROUND))


def test_only_the_longest_are_offered_the_newest_first() -> None:
    flow = [part for minutes in range(5, 5 + OFFERED + 2) for part in [300.0] * minutes + [0.0] * 3]
    found = offers(trend(flow), 420.0)
    assert len(found) == OFFERED
    assert [item.begin for item in found] == sorted((item.begin for item in found), reverse=True)
    assert min(item.tonnes for item in found) == pytest.approx(300.0 * 7 / 60)


def test_nothing_is_offered_of_an_empty_or_unknown_day() -> None:
    assert offers(trend([0.0] * 30), 420.0) == []
    assert offers(trend([float("nan")] * 30), 420.0) == []


def test_what_the_window_leaves_out_is_shaded_on_both_sides() -> None:
    """An hour is drawn over 666 units: ten minutes on each side are 111 of them."""
    picture = drawn(trend([300.0] * 60), T0, T0 + 3600, ZONE, (T0 + 600.0, T0 + 3000.0))
    width = WIDTH - LEFT - RIGHT
    (left, first), (right, last) = picture.shades
    assert left == LEFT
    assert [first, last] == pytest.approx([width / 6, width / 6], abs=0.1)
    assert right + last == pytest.approx(WIDTH - RIGHT, abs=0.1)


def test_gaps_are_gaps_for_the_script_too() -> None:
    picture = drawn(trend([300.0, float("nan"), 300.0]), T0, T0 + 180, ZONE)
    assert picture.columns[1] == [300.0, None, 300.0]
    assert picture.shades == ()


def test_runs_are_numbered_anew_where_one_is_emptied() -> None:
    query = {
        "from1": "",
        "to1": "",
        "mass1": "",
        "from3": "2026-03-02T06:00",
        "to3": "2026-03-02T07:00",
        "mass3": "250 t",
        "edges": "counted",
    }
    found = asked(query, ZONE)
    (run,) = found.runs
    assert (run.number, run.mass, run.end - run.begin, found.whole, found.next_number) == (1, 250.0, 3600.0, True, 2)
    assert asked(dict(found.hidden()), ZONE).runs[0].begin == run.begin
    assert found.query(from2="x").endswith("from2=x")


def test_nine_runs_are_the_most() -> None:
    query = {
        f"{name}{number}": text
        for number in range(1, 12)
        for name, text in (("from", "2026-03-02T06:00"), ("to", "2026-03-02T07:00"))
    }
    assert (len(asked(query, ZONE).runs), asked(query, ZONE).next_number) == (9, None)
