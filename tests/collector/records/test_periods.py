"""Which time a report is about."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from checks.accounting.calendar import Kind
from collector.records import periods
from config.errors import TallywireError
from config.model import Site
from tests.checks.runs_of_terminal import terminal

NOW = datetime(2027, 1, 15, 18, 1, 30, tzinfo=UTC).timestamp()


@pytest.fixture
def regina() -> Site:
    return terminal().model_copy(update={"time_zone": "America/Regina"})


@pytest.mark.parametrize(
    ("kind", "name", "begin", "end"),
    [
        # By hand: Regina is UTC-6 all year.
        ("shift", "2027-01-14 22:00", "2027-01-15T04:00:00", "2027-01-15T12:00:00"),
        ("day", "2027-01-14", "2027-01-14T12:00:00", "2027-01-15T12:00:00"),
        ("month", "2026-12", "2026-12-01T12:00:00", "2027-01-01T12:00:00"),
    ],
)
def test_periods_are_those_of_the_site(regina: Site, kind: Kind, name: str, begin: str, end: str) -> None:
    found = periods.named(regina, kind, name, NOW)
    assert [datetime.fromtimestamp(edge, UTC).strftime("%Y-%m-%dT%H:%M:%S") for edge in (found.begin, found.end)] == [
        begin,
        end,
    ]


def test_a_period_that_is_not_over_ends_with_the_last_whole_minute(regina: Site) -> None:
    found = periods.named(regina, "shift", "2027-01-15 06:00", NOW)
    assert (found.end, found.note) == (int(NOW) - 30, periods.NOT_OVER)
    assert periods.current(regina, "shift", NOW) == "2027-01-15 06:00"


@pytest.mark.parametrize(
    ("kind", "name"),
    [("shift", "2027-01-15 07:00"), ("shift", "2027-01-15"), ("day", "2027-02-30"), ("day", "yesterday"), ("month", "2027-13")],
)
def test_what_is_no_period_is_refused_with_an_example(regina: Site, kind: Kind, name: str) -> None:
    with pytest.raises(TallywireError, match="of this site") as caught:
        periods.named(regina, kind, name, NOW)
    assert caught.value.fix.startswith("such as 2026-03")


def test_a_period_ahead_is_refused(regina: Site) -> None:
    with pytest.raises(TallywireError, match="has not begun"):
        periods.named(regina, "day", "2027-01-16", NOW)


def test_due_is_the_last_one_at_first_and_every_missed_one_later(regina: Site) -> None:
    (last,) = periods.due(regina, "shift", None, NOW)
    assert last.name == "2027-01-14 22:00"
    missed = periods.due(regina, "shift", last.begin - 3 * 8 * 3600, NOW)
    assert [one.name for one in missed] == ["2027-01-14 06:00", "2027-01-14 14:00", "2027-01-14 22:00"]
    assert periods.due(regina, "shift", last.begin, NOW) == []
    assert len(periods.due(regina, "day", 0, NOW)) == periods.MOST_MISSED
    assert [one.name for one in periods.due(regina, "month", None, NOW)] == ["2026-12"]


def test_a_period_is_due_some_minutes_after_its_end(regina: Site) -> None:
    end = datetime(2027, 1, 15, 12, tzinfo=UTC).timestamp()
    assert periods.due(regina, "shift", None, end + periods.MADE_AFTER_S - 1)[-1].name == "2027-01-14 14:00"
    assert periods.due(regina, "shift", None, end + periods.MADE_AFTER_S)[-1].name == "2027-01-14 22:00"
