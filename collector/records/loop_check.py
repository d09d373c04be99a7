"""The loop check: the chain walked point by point, one line for each point and link, as found, adjusted, as left.

A station is a place where a number is read; a link leads from one station to the next that was read. What a link demands is
the straight line between the ranges of its two stations, so the chain is checked by its own arithmetic and not by a table.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import ClassVar, Literal

from pydantic import Field, model_validator

from checks.result import Link, Verdict, judge, worst
from collector.records.content import Head, Maybe, Name, Number, Part, Text

TARGETS = (0.0, 25.0, 50.0, 75.0, 100.0)
"""The points of a full check [% of span]; common practice, no source."""
Direction = Literal["up", "down"]
ARITHMETIC = 1e-9


class Station(Part):
    """A place of the chain. `low` and `high` are what it shows at 0 % and 100 % of span, in `unit`.

    `link` is the step that leads to it (None: the first), `uncertainty` the expanded uncertainty (k = 2) of a reading there
    in `unit`; `suspect` and `fault` are the limits of the link in % of span.
    """

    name: Name
    link: Link | None
    unit: Name
    low: Number
    high: Number
    uncertainty: Number = Field(ge=0.0)
    suspect: Number = Field(default=0.25, gt=0.0)
    fault: Number = Field(default=0.5, gt=0.0)
    read_by: str = ""

    @property
    def span(self) -> float:
        """Width of the range in `unit`."""
        return self.high - self.low

    @model_validator(mode="after")
    def _has_a_span(self) -> Station:
        if self.high == self.low:
            raise ValueError(f"the range of {self.name!r} has no width")
        if self.fault < self.suspect:
            raise ValueError(f"the fault limit of {self.name!r} lies below its suspect limit")
        return self


class Point(Part):
    """One point: what was aimed at [% of span], on the way up or down of which walk, and what each station showed (None: not read)."""

    target: Number = Field(ge=0.0, le=100.0)
    direction: Direction
    shown: tuple[Maybe, ...]
    cycle: int = Field(default=1, ge=1)


class Line(Part):
    """One point at one link: from station `before` to station `at` (indices), what was demanded and what was shown there.

    `error` is shown - demanded in the unit of `at`; `error_span`, `uncertainty_span` (k = 2) in % of its span.
    """

    point: int
    before: int
    at: int
    demanded: Number
    shown: Number
    error: Number
    error_span: Number
    uncertainty_span: Number
    verdict: Verdict

    @property
    def error_reading(self) -> float | None:
        """The error in % of the demanded reading; None where that is below 1 % of the span: there the share says nothing."""
        if self.demanded == 0.0 or abs(self.demanded * self.error_span) < abs(self.error):
            return None
        return 100.0 * self.error / abs(self.demanded)


class Series(Part):
    """All points of one walk through the chain, and the lines that follow from them."""

    begun: Number
    points: tuple[Point, ...] = Field(min_length=1)
    lines: tuple[Line, ...] = Field(min_length=1)
    note: Text = ""

    @property
    def verdict(self) -> Verdict:
        """The worst of its lines."""
        return worst(line.verdict for line in self.lines)


class Adjustment(Part):
    """One setting that was changed between as found and as left."""

    at: Number
    side: Literal["gauge", "plc", "input-card"]
    setting: Name
    unit: str = ""
    before: Maybe
    after: Maybe
    by: Name
    reason: Name


class Reference(Part):
    """An instrument the readings rest on, with its certificate."""

    name: Name
    identity: Name
    certificate: str = ""
    due: str = ""


class LoopCheck(Head):
    """A loop check of one loop. Without adjustments `as_left` is None and as found holds."""

    TITLE: ClassVar[str] = "Loop check"

    kind: Literal["loop check"] = "loop check"
    method: Name
    stations: tuple[Station, ...] = Field(min_length=2)
    references: tuple[Reference, ...] = ()
    as_found: Series
    adjustments: tuple[Adjustment, ...] = ()
    as_left: Series | None = None
    remarks: Text = ""

    @property
    def verdict(self) -> Verdict:
        """That of the chain as it was left."""
        return (self.as_left or self.as_found).verdict

    @model_validator(mode="after")
    def _holds_together(self) -> LoopCheck:
        if len(self.loops) != 1:
            raise ValueError("a loop check is of one loop")
        if self.stations[0].link is not None or any(station.link is None for station in self.stations[1:]):
            raise ValueError("every station but the first has the link that leads to it")
        if bool(self.adjustments) != (self.as_left is not None):
            raise ValueError("as left stands in the record where something was adjusted, and only there")
        for name, series in (("as found", self.as_found), ("as left", self.as_left)):
            if series is not None:
                _check(name, series, self.stations)
        times = [self.as_found.begun, *(item.at for item in self.adjustments)]
        if self.as_left is not None and self.as_left.begun < max(times):
            raise ValueError("as left was read before the last adjustment")
        if any(item.at < self.as_found.begun for item in self.adjustments):
            raise ValueError("an adjustment was made before as found was read")
        return self


def series(stations: Sequence[Station], points: Sequence[Point], *, begun: float, note: str = "") -> Series:
    """The points with their lines.

    Raises
    ------
    ValueError
        A point does not have one reading (or None) a station, or has fewer than two.
    """
    return Series(begun=begun, points=tuple(points), lines=lines_of(stations, points), note=note)


def lines_of(stations: Sequence[Station], points: Sequence[Point]) -> tuple[Line, ...]:
    """One line for each point and link, in the order of the chain and then of the points; a station not read is passed over."""
    found: list[Line] = []
    for number, point in enumerate(points):
        if len(point.shown) != len(stations):
            raise ValueError(f"point {number + 1} has {len(point.shown)} readings, the chain {len(stations)} stations")
        read = [place for place, value in enumerate(point.shown) if value is not None]
        if len(read) < 2:
            raise ValueError(f"point {number + 1} was read at fewer than two stations: no link of it can be checked")
        found += [_line(stations, point, number, before, at) for before, at in pairwise(read)]
    return tuple(sorted(found, key=lambda line: (line.at, line.point)))


def ends_of(stations: Sequence[Station], points: Sequence[Point]) -> tuple[Line, ...]:
    """The first station against the last, one line a point at which both were read: the loop as a whole."""
    last = len(stations) - 1
    whole = [number for number, point in enumerate(points) if point.shown[0] is not None and point.shown[last] is not None]
    return tuple(_line(stations, points[number], number, 0, last) for number in whole)


def _line(stations: Sequence[Station], point: Point, number: int, before: int, at: int) -> Line:
    a, b = stations[before], stations[at]
    x, y = point.shown[before], point.shown[at]
    assert x is not None
    assert y is not None
    demanded = b.low + (x - a.low) / a.span * b.span
    error = y - demanded
    error_span = 100.0 * error / abs(b.span)
    uncertainty = math.hypot(100.0 * a.uncertainty / a.span, 100.0 * b.uncertainty / b.span)
    return Line(
        point=number, before=before, at=at, demanded=demanded, shown=y, error=error, error_span=error_span,
        uncertainty_span=uncertainty, verdict=judge(error_span, uncertainty, b.suspect, b.fault),
    )  # fmt: skip


def _check(name: str, series: Series, stations: Sequence[Station]) -> None:
    """The points go up, then down, walk after walk; the stored lines are those that follow from the readings."""
    cycles = [point.cycle for point in series.points]
    if cycles != sorted(cycles):
        raise ValueError(f"{name}: the walks through the range are mixed")
    for cycle in dict.fromkeys(cycles):
        points = [point for point in series.points if point.cycle == cycle]
        ways = [point.direction for point in points]
        if ways != sorted(ways, reverse=True):
            raise ValueError(f"{name}: the points on the way up come before those on the way down")
        for way, sign in (("up", 1.0), ("down", -1.0)):
            targets = [sign * point.target for point in points if point.direction == way]
            if any(later <= earlier for earlier, later in pairwise(targets)):
                raise ValueError(f"{name}: the points on the way {way} do not follow each other")
    again = lines_of(stations, series.points)
    same = len(again) == len(series.lines) and all(_same(a, b) for a, b in zip(again, series.lines, strict=True))
    if not same:
        raise ValueError(f"{name}: the lines do not follow from the readings")


def _same(a: Line, b: Line) -> bool:
    numbers = ((getattr(a, key), getattr(b, key)) for key in ("demanded", "shown", "error", "error_span", "uncertainty_span"))
    close = all(math.isclose(x, y, rel_tol=ARITHMETIC, abs_tol=ARITHMETIC) for x, y in numbers)
    return close and (a.point, a.before, a.at, a.verdict) == (b.point, b.before, b.at, b.verdict)
