"""The state of a loop check on its way: which chain, which points, what was captured. It is kept after every step and can go on."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from checks.commissioning.performance import Performance, performance
from checks.result import Link
from collector.records.content import head_of
from collector.records.loop_check import TARGETS, Adjustment, LoopCheck, Point, Reference, Series, Station, series
from config.errors import TallywireError
from config.model import Loop, Site

CALIBRATOR_U = 0.01
"""Uncertainty of a calibrator where nobody says another [mA, k = 2]; own estimate."""
RAW_U = 2.0
"""Of raw counts [counts, k = 2]: one digit and its rounding."""
MEASURED_U = 0.02
"""Of a current that the far side measures [mA, k = 2]; own estimate."""
SHOWN_U = 0.0005
"""Of a flow that is shown, its digits [parts of span, k = 2]; own estimate."""


class Method(StrEnum):
    """Where the current of a point comes from; the tool only reads, in either case."""

    CALIBRATOR = "calibrator"
    """A person sends it into the input card, with the gauge's wire taken off, and types what the calibrator shows."""
    TEST_MODE = "test-mode"
    """A person sets it in the gauge's output test; the gauge says what it sends."""
    SIMULATED_FLOW = "simulated-flow"
    """A person sets a flow in the gauge's simulation: the range of the gauge is checked too."""


class Stage(StrEnum):
    """How far a check is."""

    FOUND = "as found"
    ADJUST = "adjustment"
    LEFT = "as left"
    DONE = "done"


class Target(BaseModel):
    """The next point: where it lies [% of span], from which side, in which walk."""

    model_config = ConfigDict(frozen=True)

    percent: float
    direction: Literal["up", "down"]
    cycle: int


class CheckRun(BaseModel):
    """A loop check that has begun. `roles` names the tag of each station, empty where a person reads it."""

    model_config = ConfigDict(extra="forbid")

    version: Literal[1] = 1
    loop: str
    method: Method
    by: str
    begun: float
    stations: tuple[Station, ...]
    roles: tuple[str, ...]
    targets: tuple[Target, ...]
    stage: Stage = Stage.FOUND
    found: list[Point] = Field(default_factory=list)
    left: list[Point] = Field(default_factory=list)
    left_begun: float | None = None
    adjustments: list[Adjustment] = Field(default_factory=list)
    references: tuple[Reference, ...] = ()
    remarks: str = ""

    def aim(self, target: Target) -> float:
        """What the first station is to show at a point, in its unit; 4 mA is 0 %, 20 mA is 100 % (IEC 60381-1, from memory)."""
        first = self.stations[0]
        return first.low + target.percent / 100.0 * first.span

    @property
    def points(self) -> list[Point]:
        """The points of the present walk."""
        return self.left if self.stage is Stage.LEFT else self.found

    @property
    def target(self) -> Target | None:
        """The next point, None where none is due."""
        walking = self.stage in (Stage.FOUND, Stage.LEFT)
        return self.targets[len(self.points)] if walking and len(self.points) < len(self.targets) else None

    def take(self, typed: float | None, values: Mapping[str, float]) -> Point:
        """Keep the next point: what the person typed for the first station, and what the tags showed.

        Raises
        ------
        TallywireError
            No point is due, or fewer than two stations were read.
        """
        target = self.target
        if target is None:
            raise TallywireError("no point of this loop check is due", fix="go on with the adjustment, or finish it")
        shown = tuple(values.get(role) if role else typed for role in self.roles)
        if sum(value is not None for value in shown) < 2:
            raise TallywireError(
                "fewer than two stations were read, so nothing can be compared", fix="are the tags read? see the tags page"
            )
        point = Point(target=target.percent, direction=target.direction, cycle=target.cycle, shown=shown)
        self.points.append(point)
        return point

    def undo(self) -> bool:
        """Take the last point of this walk back; False where there is none."""
        if not self.points:
            return False
        self.points.pop()
        return True

    def series(self, stage: Stage) -> Series | None:
        """A walk with its lines; None where it has no point."""
        points = self.left if stage is Stage.LEFT else self.found
        if not points:
            return None
        begun = self.begun if stage is not Stage.LEFT or self.left_begun is None else self.left_begun
        return series(self.stations, points, begun=begun)

    def close_found(self) -> None:
        """As found is complete: on to the adjustment."""
        self.stage = Stage.ADJUST

    def adjust(self, item: Adjustment) -> None:
        """Note a setting that was changed."""
        self.adjustments.append(item)

    def begin_left(self, now: float) -> None:
        """Walk again, as left; only where something was adjusted.

        Raises
        ------
        TallywireError
            Nothing was adjusted.
        """
        if not self.adjustments:
            raise TallywireError("nothing was adjusted", fix="note what was changed, or finish with as found")
        self.stage, self.left_begun, self.left = Stage.LEFT, now, []

    def record(self, site: Site, site_sha256: str, now: float) -> LoopCheck:
        """The content of the record.

        Raises
        ------
        TallywireError
            The check is not complete.
        """
        found, left = self.series(Stage.FOUND), self.series(Stage.LEFT)
        short = len(self.found) < len(self.targets) or (bool(self.adjustments) and len(self.left) < len(self.targets))
        if found is None or short:
            raise TallywireError(
                "this loop check is not complete",
                fix="walk through the points" + (" as left, too" if found is not None else ""),
            )
        head = head_of(site.site, site.title, site.time_zone, site_sha256, [self.loop], site.loops[self.loop].title)
        return LoopCheck(
            **head, made=now, by=self.by, method=METHODS[self.method], stations=self.stations, references=self.references,
            as_found=found, adjustments=tuple(self.adjustments), as_left=left, remarks=self.remarks,
        )  # fmt: skip


METHODS = {
    Method.CALIBRATOR: "current sent into the input card by a calibrator",
    Method.TEST_MODE: "current set in the output test of the gauge",
    Method.SIMULATED_FLOW: "flow set in the simulation of the gauge",
}


def begin(
    loop: Loop,
    loop_id: str,
    method: Method,
    *,
    by: str,
    now: float,
    percents: Sequence[float] = TARGETS,
    cycles: int = 1,
    calibrator_u: float = CALIBRATOR_U,
    references: Sequence[Reference] = (),
) -> CheckRun:
    """Begin a loop check: the stations that this loop has tags for, and the points up and down, as often as asked.

    Raises
    ------
    TallywireError
        The points are not from 0 to 100 ascending, or the loop has no tag at the far side.
    """
    if len(percents) < 2 or list(percents) != sorted(set(percents)) or not all(0.0 <= p <= 100.0 for p in percents):
        raise TallywireError(
            f"the points {', '.join(f'{p:g}' for p in percents)} do not go up from 0 to 100",
            where="points",
            fix="such as 0,25,50,75,100",
        )
    stations, roles = stations_of(loop, method, calibrator_u)
    if len(stations) < 2:
        raise TallywireError(
            f"loop {loop_id} has no tag behind the current, so there is nothing to compare", where="site file",
            fix="read loop_current, ai_raw or plc_flow",
        )  # fmt: skip
    targets = [
        Target(percent=percent, direction=way, cycle=cycle)
        for cycle in range(1, cycles + 1)
        for way, walk in (("up", list(percents)), ("down", list(percents)[-2::-1]))
        for percent in walk
    ]
    return CheckRun(
        loop=loop_id, method=method, by=by, begun=now, stations=tuple(stations), roles=tuple(roles), targets=tuple(targets),
        references=tuple(references),
    )  # fmt: skip


def stations_of(loop: Loop, method: Method, calibrator_u: float = CALIBRATOR_U) -> tuple[list[Station], list[str]]:
    """The stations of a chain that can be read, each with the role that it is read from.

    The last station must show the range of the gauge: what the far side makes of 4 and 20 mA is what is checked.
    """
    limits, gauge, raw = loop.limits.link, loop.gauge.range, loop.plc.raw_span
    flow_u = SHOWN_U * abs(gauge.high - gauge.low)
    said = "gauge_output" in loop.tags
    output = Station(name="gauge output", link=None, unit="mA", low=4.0, high=20.0, uncertainty=MEASURED_U, read_by="gauge")
    typed = Station(
        name="calibrator", link=None, unit="mA", low=4.0, high=20.0, uncertainty=calibrator_u, read_by="typed by hand"
    )
    display = Station(
        name="gauge display", link=None, unit="t/h", low=gauge.low, high=gauge.high, uncertainty=flow_u, read_by="gauge"
    )
    judged = {"suspect": limits.suspect, "fault": limits.fault}
    if method is Method.SIMULATED_FLOW:
        stations, roles = [display], ["flow"]
        if said:
            stations.append(output.model_copy(update={"link": Link.GAUGE_OUTPUT, **judged}))
            roles.append("gauge_output")
    elif method is Method.TEST_MODE:
        stations, roles = ([output], ["gauge_output"]) if said else ([typed.model_copy(update={"name": "output test"})], [""])
    else:
        stations, roles = [typed], [""]
    for role, name, link, unit, low, high, uncertainty in (
        ("loop_current", "loop current", Link.CURRENT, "mA", 4.0, 20.0, MEASURED_U),
        ("ai_raw", "input card", Link.INPUT_CARD, "counts", raw.low, raw.high, RAW_U),
        ("plc_flow", "scaling block", Link.SCALING_BLOCK, "t/h", gauge.low, gauge.high, flow_u),
    ):
        if role in loop.tags:
            stations.append(
                Station(
                    name=name, link=link, unit=unit, low=low, high=high, uncertainty=uncertainty, read_by="PLC", **judged,
                )
            )  # fmt: skip
            roles.append(role)
    return stations, roles


def performances(run: CheckRun, stage: Stage) -> list[tuple[Station, Performance]]:
    """Figures of each link in the terms of IEC 61298-2."""
    walked = run.series(stage)
    out = []
    for at, station in enumerate(run.stations):
        lines = [] if walked is None else [line for line in walked.lines if line.at == at]
        points = [] if walked is None else [walked.points[line.point] for line in lines]
        figures = performance(
            [point.target for point in points],
            [line.error_span for line in lines],
            [point.direction == "up" for point in points],
            [point.cycle for point in points],
        )
        if figures is not None:
            out.append((station, figures))
    return out


def save(run: CheckRun, path: Path) -> None:
    """Keep a check where it can be found again, whole or not at all."""
    part = path.with_name(path.name + ".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_text(run.model_dump_json(indent=1), encoding="utf-8")
        part.replace(path)
    except OSError as error:
        raise TallywireError(
            f"the loop check cannot be kept ({error.strerror or error})", where=str(path), fix="name another folder with --data"
        ) from error


def resume(path: Path) -> CheckRun | None:
    """A check that was begun; None where there is none.

    Raises
    ------
    TallywireError
        The file is damaged or of another version.
    """
    try:
        return CheckRun.model_validate(json.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, ValidationError) as error:
        raise TallywireError(
            "the loop check that was begun cannot be read", where=str(path), fix="remove the file to begin anew"
        ) from error
