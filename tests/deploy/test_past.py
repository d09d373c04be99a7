"""Whole days of the past: each by itself, joined from behind, broken off and gone on with."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from config.errors import TallywireError
from deploy.plant.command import main
from deploy.plant.history import write_history
from deploy.plant.past import LEAD_S, PLAN_FILE, day_of, make_past, plan_past, read_plan, write_plan
from deploy.plant.site import POTASH
from deploy.plant.story import EVENTS, LENGTH_D, SILENCES, events_of

SEED = 7
UNTIL = 1_795_910_400
"""2026-11-29 00:00 UTC [epoch s]."""
ENDS = (84_213.0, 84_190.0)


def event_day(loop: str, fault: str) -> int:
    return next(event.days_back for event in EVENTS if (event.loop, event.fault) == (loop, fault))


def test_a_day_is_the_same_whenever_it_is_made_and_ends_where_the_next_begins() -> None:
    newer = day_of("TB-07", UNTIL, 1, ENDS, SEED)
    older = day_of("TB-07", UNTIL, 2, newer.totals, SEED)
    again = day_of("TB-07", UNTIL, 2, newer.totals, SEED)
    for role, column in older.values.items():
        np.testing.assert_array_equal(column, again.values[role])
    assert older.time_s[-1] + 1 == newer.time_s[LEAD_S] == UNTIL - 86400
    for role in ("gauge_total", "plc_total"):
        step = newer.values[role][LEAD_S] - older.values[role][-1]
        assert -0.11 <= step <= 0.3  # a second of at most 420 t/h, and one digit of 0.1 t
        assert 2000.0 < older.values[role][-1] - older.values[role][LEAD_S] < 10_000.0


def test_the_newest_day_ends_where_a_written_history_begins(tmp_path: Path) -> None:
    files = write_history(tmp_path, 1.0, UNTIL + 3600, SEED)
    plan = plan_past(UNTIL, 3, SEED)
    for loop, path in zip(POTASH, files, strict=True):
        first = pq.read_table(path, columns=[f"{loop}.gauge_total"]).column(0)[0].as_py()
        day = day_of(loop, UNTIL, 1, plan.totals[loop], SEED)
        assert -0.11 <= first - day.values["gauge_total"][-1] <= 0.3  # an empty belt may run it back by a digit


def test_a_counter_that_runs_below_zero_in_the_past_has_rolled_over() -> None:
    day = day_of("TB-07", UNTIL, 1, (100.0, 100.0), SEED)
    spec = POTASH["TB-07"]
    assert day.totals[0] < 0.0
    assert day.values["gauge_total"][LEAD_S] > spec.gauge.total_rollover - 10_000.0
    assert day.values["gauge_total"][-1] == pytest.approx(100.0, abs=0.11)


def test_the_story_shows_in_the_values() -> None:
    back = event_day("TB-07", "zero-counts")
    (event,) = events_of("TB-07", back)
    day = day_of("TB-07", UNTIL, back, ENDS, SEED)
    hour = (day.time_s - day.time_s[LEAD_S]) / 3600.0
    dead = day.values["count_rate"] == 0.0
    assert dead[(hour > event.from_h + 0.1) & (hour < event.to_h)].all()
    assert not dead[(hour > event.to_h + 0.1) | (hour < event.from_h)].any()
    assert event.work_h is not None
    assert (day.values["maintenance"][(hour >= event.work_h) & (hour < event.to_h)] == 1.0).all()
    assert day.values["maintenance"][-1] == 0.0


def test_nothing_is_recorded_while_the_service_was_stopped() -> None:
    silence = SILENCES[0]
    day = day_of("TB-08", UNTIL, silence.days_back, ENDS, SEED)
    assert len(day.time_s) == 86400 + LEAD_S - round((silence.to_h - silence.from_h) * 3600.0)
    assert np.diff(day.time_s).max() == round((silence.to_h - silence.from_h) * 3600.0) + 1


@pytest.mark.parametrize("event", EVENTS, ids=lambda event: f"{event.days_back}-{event.loop}-{event.fault}")
def test_every_event_stays_inside_its_day(event: object) -> None:
    from deploy.plant.faults import find
    from deploy.plant.story import Event

    assert isinstance(event, Event)
    assert find(event.fault).title
    assert event.loop in POTASH
    assert 0.0 < event.from_h < event.to_h <= 23.5
    assert 1 <= event.days_back <= LENGTH_D
    assert events_of(event.loop, event.days_back + LENGTH_D) == events_of(event.loop, event.days_back)


def lines(text: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in text.splitlines()]


def test_a_past_that_was_broken_off_goes_on_as_if_it_had_not_been(tmp_path: Path) -> None:
    whole, broken = tmp_path / "whole", tmp_path / "broken"
    for folder in (whole, broken):
        folder.mkdir()
        write_plan(folder / PLAN_FILE, plan_past(UNTIL, 2, SEED))
    answers = io.StringIO()
    assert make_past(whole, orders=io.StringIO("\n" * 6), answers=answers) == 0
    about, *files = lines(answers.getvalue())
    assert (about["days"], about["left"]) == (2, 6)
    assert [(line["loop"], line["day"]) for line in files] == [
        (loop, UNTIL // 86400 - back) for back in (1, 2) for loop in ("TB-07", "TB-08", "TB-09")
    ]
    make_past(broken, orders=io.StringIO("\n"), answers=io.StringIO())
    assert read_plan(broken / PLAN_FILE).laid == {"TB-07": 1, "TB-08": 0, "TB-09": 0}
    answers = io.StringIO()
    make_past(broken, orders=io.StringIO("\n" * 5), answers=answers)
    about, *again = lines(answers.getvalue())
    assert about["left"] == 5
    assert [(line["loop"], line["day"]) for line in again] == [(line["loop"], line["day"]) for line in files[1:]]
    assert read_plan(broken / PLAN_FILE) == read_plan(whole / PLAN_FILE)
    for line, same in zip(again, files[1:], strict=True):
        assert Path(str(line["file"])).read_bytes() == Path(str(same["file"])).read_bytes()


def test_bad_plans_are_one_clear_message(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["past", "--out", str(tmp_path), "--plan", "0", "--until", "2026-11-29T00:00:00Z"]) == 2
    assert "whole UTC days" in capsys.readouterr().err
    assert main(["past", "--out", str(tmp_path), "--plan", "3", "--until", "2026-11-29T00:00:01Z"]) == 2
    (tmp_path / PLAN_FILE).write_text("[]")
    with pytest.raises(TallywireError, match="not the plan"):
        read_plan(tmp_path / PLAN_FILE)
