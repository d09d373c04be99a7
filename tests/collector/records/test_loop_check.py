"""The loop check as a typed content: its arithmetic, and what it refuses."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from checks.result import Link, Verdict
from collector.records.chain import link
from collector.records.content import plain
from collector.records.forms import content_of
from collector.records.loop_check import TARGETS, Point, Station, ends_of, lines_of, series
from tests.collector.records.examples import BEGIN, STATIONS, loop_check, points


def test_current_of_each_point_is_that_of_the_standard_signal() -> None:
    # Source: IEC 60381-1 (analogue signals, 4 to 20 mA), from memory: 0, 25, 50, 75, 100 % are 4, 8, 12, 16, 20 mA.
    demanded = [line.demanded for line in lines_of(STATIONS, points(500.0)) if line.at == 1]
    assert demanded == pytest.approx([4, 8, 12, 16, 20, 16, 12, 8, 4])
    assert TARGETS == (0.0, 25.0, 50.0, 75.0, 100.0)


def test_a_range_mismatch_is_off_by_the_same_ratio_at_every_point() -> None:
    # By hand: a block that scales to 420 t/h shows 0.84 of a gauge that sends 500 t/h as 20 mA; at 100 % that is -16 % of span.
    ends = ends_of(STATIONS, points(420.0))
    assert [line.shown / line.demanded for line in ends if line.demanded] == pytest.approx([0.84] * 7, rel=1e-3)
    assert ends[4].error_span == pytest.approx(-16.0, abs=0.02)
    assert {line.verdict for line in ends if line.demanded} == {Verdict.FAULT}


def test_every_link_has_one_line_a_point_and_only_the_wrong_one_differs() -> None:
    check = loop_check()
    assert len(check.as_found.lines) == 3 * 9
    wrong = {line.at for line in check.as_found.lines if line.verdict is Verdict.FAULT}
    assert [check.stations[at].link for at in wrong] == [Link.SCALING_BLOCK]
    assert check.as_found.verdict is Verdict.FAULT
    assert check.verdict is Verdict.OK


def test_uncertainty_of_a_link_is_that_of_both_its_readings() -> None:
    # By hand, JCGM 100:2008, 5.1.2: hypot(0.25/500, 0.008/16) = 0.0707 % of span.
    line = next(line for line in lines_of(STATIONS, points(500.0)) if line.at == 1)
    assert line.uncertainty_span == pytest.approx(0.070711, abs=1e-6)


def test_a_station_that_was_not_read_is_passed_over() -> None:
    shown = (250.0, None, 13824.0, 210.0)
    lines = lines_of(STATIONS, [Point(target=50.0, direction="up", shown=shown)])
    assert [(line.before, line.at) for line in lines] == [(0, 2), (2, 3)]
    assert lines[0].demanded == 13824.0


def test_error_of_the_reading_is_told_where_there_is_a_reading() -> None:
    # By hand: 0.25 counts of 6912 are 0.00362 %; at the foot of the range a share of nothing is not told.
    low, quarter = (
        Point(target=target, direction="up", shown=(t_h, None, counts, None))
        for target, t_h, counts in ((0.0, 0.0, 2.0), (25.0, 125.0, 6912.25))
    )
    lines = [line for line in lines_of(STATIONS, [low, quarter]) if line.at == 2]
    assert [line.error_reading for line in lines] == [None, pytest.approx(100.0 * 0.25 / 6912.0)]


def test_the_content_comes_back_from_its_text_as_it_was() -> None:
    check = loop_check()
    assert content_of(link(None, plain(check)).text) == check


def test_a_reversed_range_is_checked_by_the_same_line() -> None:
    falling = Station(name="inverse card", link=Link.INPUT_CARD, unit="counts", low=1000.0, high=0.0, uncertainty=0.0)
    (line,) = lines_of((STATIONS[0], falling), [Point(target=25.0, direction="up", shown=(125.0, 740.0))])
    assert line.demanded == 750.0
    assert line.error_span == pytest.approx(-1.0)


def tampered(**changed: Any) -> Any:
    found = loop_check().as_found
    line = found.lines[0].model_copy(update=changed)
    return found.model_copy(update={"lines": (line, *found.lines[1:])})


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"adjustments": ()}, "where something was adjusted, and only there"),
        ({"as_left": None}, "where something was adjusted, and only there"),
        ({"as_found": tampered(error_span=0.1)}, "do not follow from the readings"),
        ({"as_found": tampered(verdict=Verdict.SUSPECT)}, "do not follow from the readings"),
        ({"stations": STATIONS[:1]}, "at least 2"),
        ({"stations": (STATIONS[1], *STATIONS[1:])}, "every station but the first"),
        ({"as_left": series(STATIONS, points(500.0), begun=BEGIN + 3700.0)}, "before the last adjustment"),
        ({"loops": ("TB-07", "TB-08")}, "is of one loop"),
        ({"time_zone": "Moon/Sea"}, "no IANA time zone"),
        ({"by": "  "}, "nothing is written here"),
        ({"made": float("nan")}, "finite"),
        ({"weather": "fine"}, "not permitted"),
    ],
)
def test_what_does_not_hold_together_is_refused(changed: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        loop_check(**changed)


@pytest.mark.parametrize(
    ("walk", "says"),
    [
        (points(500.0)[::-1], "way up come before"),
        ([points(500.0)[1], points(500.0)[0]], "do not follow each other"),
    ],
)
def test_points_out_of_order_are_refused(walk: list[Point], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        loop_check(as_found=series(STATIONS, walk, begun=float(BEGIN)))


@pytest.mark.parametrize(
    ("shown", "says"), [((1.0, 2.0), "2 readings, the chain 4 stations"), ((1.0, None, None, None), "fewer than two stations")]
)
def test_a_point_that_checks_nothing_is_refused(shown: tuple[float | None, ...], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        lines_of(STATIONS, [Point(target=0.0, direction="up", shown=shown)])


@pytest.mark.parametrize(
    ("changed", "says"),
    [({"high": 0.0}, "has no width"), ({"suspect": 0.6}, "below its suspect limit"), ({"uncertainty": -1.0}, "0")],
)
def test_a_station_that_cannot_be_is_refused(changed: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        Station(**{**STATIONS[0].model_dump(), **changed})
