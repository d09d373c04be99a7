"""Whole days of the past, the newest first, each by itself: the same day is the same to the byte whenever it is made.

A day is made on from a minute before its midnight, so that whoever reads it in finds its begin settled; the day before ends with a
minute of other noise. Totals are joined from behind: a day begins where it must begin to end at the next one's begin. That is all that
a later start needs to know, and `past.json` keeps it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TextIO

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from config.errors import TallywireError
from deploy.plant.faults import Faulty
from deploy.plant.model import LoopModel
from deploy.plant.nodes import scale_of
from deploy.plant.site import POTASH, scenario_of
from deploy.plant.site_file import tags_of
from deploy.plant.spec import LoopSpec
from deploy.plant.stages import Floats, Totalizer, shown
from deploy.plant.story import TOLD_AFTER_S, TOLD_BY, events_of, silences_of
from deploy.plant.terminal import DAY_S, Begin, fresh, specs_at

PLAN_FILE = "past.json"
LEAD_S = 60
"""What a day's file holds of the day before [s]."""
AHEAD = 6
"""Files that may wait to be taken."""


@dataclass(frozen=True, slots=True)
class Plan:
    """`days` whole UTC days before `until_s` (a midnight). `laid` counts the days back that are done, by loop, `totals` [t] of gauge and
    PLC are those at the begin of the oldest of them."""

    until_s: int
    days: int
    seed: int
    laid: dict[str, int]
    totals: dict[str, tuple[float, float]]


def plan_past(until_s: int, days: int, seed: int) -> Plan:
    """A plan of which nothing is done; it joins a run that began fresh at `until_s`."""
    return Plan(until_s, days, seed, dict.fromkeys(POTASH, 0), dict(fresh(until_s).totals))


def write_plan(path: Path, plan: Plan) -> None:
    """Keep a plan; the file is whole at any time."""
    part = path.with_name(path.name + ".part")
    part.write_text(json.dumps(asdict(plan)), encoding="utf-8")
    part.replace(path)


def read_plan(path: Path) -> Plan:
    """The plan of a folder."""
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
        return Plan(
            int(stored["until_s"]), int(stored["days"]), int(stored["seed"]),
            {loop: int(stored["laid"][loop]) for loop in POTASH},
            {loop: (float(stored["totals"][loop][0]), float(stored["totals"][loop][1])) for loop in POTASH},
        )  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError, IndexError) as error:
        raise TallywireError(
            "this is not the plan of a demo's past", where=str(path), fix="remove the folder of the demo, or name another"
        ) from error


class _Line(Totalizer):
    """Keeps the exact sum of a day; it is shown when the begin is known."""

    def __init__(self) -> None:
        super().__init__(0.0)

    def __call__(self, step: Floats, resolution: float, rollover: float, single: bool = False) -> Floats:
        line: Floats = np.cumsum(np.concatenate([[self.sum], step]))[1:]
        self.sum = float(line[-1])
        return line


@dataclass(frozen=True, slots=True)
class Day:
    """One loop-day with its lead: seconds, values by role in canonical units, totals at its midnight [t]."""

    loop: str
    time_s: NDArray[np.int64]
    values: dict[str, Floats]
    totals: tuple[float, float]


def day_of(loop: str, until_s: int, days_back: int, ends_at: tuple[float, float], seed: int) -> Day:
    """One loop on the day `days_back` before `until_s`, with the events of the story; its totals [t] end at `ends_at`."""
    midnight = until_s - days_back * DAY_S
    begin = fresh(until_s)
    spec = specs_at(Begin(until_s, begin.tared_s, begin.totals))[loop]
    model = LoopModel(spec, seed + midnight // DAY_S, scenario=scenario_of(loop, seed), start=midnight - LEAD_S)
    lines = _Line(), _Line()
    model.gauge.total, model.far_end.total = lines
    parts = [model.advance(LEAD_S)]
    before = lines[0].sum, lines[1].sum
    parts += _with_events(Faulty(model), loop, days_back, midnight)
    values = {role: np.concatenate([part[role] for part in parts]) for role in spec.roles}
    starts = [end - (line.sum - lead) for end, line, lead in zip(ends_at, lines, before, strict=True)]
    for role, total, start, lead in zip(("gauge_total", "plc_total"), _digits(spec), starts, before, strict=True):
        values[role] = shown(values[role] + start - lead, *total)
    time_s = np.arange(midnight - LEAD_S, midnight + DAY_S, dtype=np.int64)
    heard = np.ones(len(time_s), np.bool_)
    for silence in silences_of(days_back):
        heard &= (time_s < midnight + silence.from_h * 3600.0) | (time_s >= midnight + silence.to_h * 3600.0)
    if not heard.all():
        time_s, values = time_s[heard], {role: column[heard] for role, column in values.items()}
    return Day(loop, time_s, values, (starts[0], starts[1]))


def _with_events(faulty: Faulty, loop: str, days_back: int, midnight: int) -> Iterator[dict[str, Floats]]:
    switches = sorted(
        (switch for event in events_of(loop, days_back) for switch in event.switches()), key=lambda switch: switch[0]
    )
    for second, fault, on, severity in switches:
        if midnight + second > faulty.model.time_s:
            yield faulty.model.advance(midnight + second - faulty.model.time_s)
        faulty.set(fault, on, severity)
    yield faulty.model.advance(midnight + DAY_S - faulty.model.time_s)


def _digits(spec: LoopSpec) -> tuple[tuple[float, float], tuple[float, float]]:
    gauge, plc = spec.gauge, spec.plc_total
    return (gauge.total_resolution, gauge.total_rollover), (plc.resolution, plc.rollover)


def write_day(folder: Path, day: Day, spec: LoopSpec) -> Path:
    """Write a loop-day as a recorded file, in the units that the site file declares; it is read once, so it is not packed."""
    columns = {"time": pa.array(day.time_s)}
    for role in tags_of(spec):
        columns[f"{day.loop}.{role}"] = pa.array(day.values[role] / scale_of(spec, role))
    path = folder / f"{day.loop}-{np.datetime64(int(day.time_s[-1]), 's').astype('datetime64[D]')}.parquet"
    pq.write_table(pa.table(columns), path, compression="none", use_dictionary=False, write_statistics=False)
    return path


def make_past(folder: Path, *, orders: TextIO = sys.stdin, answers: TextIO = sys.stdout) -> int:
    """Make the days that the plan in `folder` still lacks, the newest first, and tell each file in a line of JSON.

    The first line tells what the past is about. For each file that is read a line with its loop is expected; the plan then counts it as
    laid. At the end of the orders the work ends.
    """
    plan_file = folder / PLAN_FILE
    plan = read_plan(plan_file)
    specs = specs_at(fresh(plan.until_s))
    for left in folder.glob("*.parquet"):
        left.unlink()
    _tell(answers, _about(plan))
    laid, totals = dict(plan.laid), dict(plan.totals)
    waiting: list[Day] = []

    def taken() -> bool:
        if not orders.readline():
            return False
        day = waiting.pop(0)
        laid[day.loop] += 1
        totals[day.loop] = day.totals
        write_plan(plan_file, Plan(plan.until_s, plan.days, plan.seed, laid, totals))
        return True

    ends = dict(totals)
    for days_back in range(1, plan.days + 1):
        for loop in specs:
            if days_back <= plan.laid[loop]:
                continue
            day = day_of(loop, plan.until_s, days_back, ends[loop], plan.seed)
            ends[loop] = day.totals
            path = write_day(folder, day, specs[loop])
            waiting.append(Day(loop, day.time_s[:0], {}, day.totals))
            midnight = plan.until_s - days_back * DAY_S
            _tell(answers, {"loop": loop, "day": midnight // DAY_S, "file": str(path)})
            if len(waiting) >= AHEAD and not taken():
                return 0
    while waiting:
        if not taken():
            return 0
    return 0


def _about(plan: Plan) -> dict[str, Any]:
    """How many days there are and were, who heard of alerts, and the loop-days on which something happened, the newest first."""
    back = range(1, plan.days + 1)
    eventful = [(loop, plan.until_s // DAY_S - days) for days in back for loop in POTASH if events_of(loop, days)]
    return {
        "loops": list(POTASH), "until": plan.until_s, "days": plan.days, "left": sum(plan.days - n for n in plan.laid.values()),
        "told_by": TOLD_BY, "told_after_s": TOLD_AFTER_S, "eventful": eventful,
    }  # fmt: skip


def _tell(answers: TextIO, line: dict[str, Any]) -> None:
    answers.write(json.dumps(line) + "\n")
    answers.flush()
