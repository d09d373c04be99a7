"""What the form of a calibration holds: runs with their windows as they were typed or moved, and what goes for all of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from checks.commissioning.calibration_sum import Run
from collector.commissioning.calibrating import TARE_S, Known
from collector.commissioning.calibration_asked import MOST_RUNS, mass_of, percent_of, stretch_of, tare_of, time_of, window_of
from config.errors import TallywireError

PARTS = ("from", "to", "mass", "begin", "end")
"""Fields of a run: its stretch, its known mass, its window."""


@dataclass(slots=True, kw_only=True)
class AskedRun:
    """A run as it was asked for. `window` None: found by itself; `anew`: the window that was given lay outside the stretch."""

    number: int
    typed: dict[str, str]
    begin: float = 0.0
    end: float = 0.0
    mass: float | None = None
    window: tuple[float, float] | None = None
    anew: bool = False
    read: Run | None = None

    def known(self, *, whole: bool) -> Known | None:
        """The run with its mass; None while it is not known."""
        if self.mass is None or self.read is None:
            return None
        return Known(begin=self.begin, end=self.end, reference=self.mass, window=self.window, whole=whole)


@dataclass(slots=True, kw_only=True)
class Asked:
    """Everything that was asked for; `problems` says what of it cannot be taken."""

    runs: list[AskedRun] = field(default_factory=list)
    fields: dict[str, str] = field(default_factory=dict)
    whole: bool = False
    scale_percent: float = 0.1
    tare_s: float = TARE_S
    since: float | None = None
    problems: list[TallywireError] = field(default_factory=list)

    @property
    def next_number(self) -> int | None:
        """Number of the next run, None where there are enough."""
        return len(self.runs) + 1 if len(self.runs) < MOST_RUNS else None

    def hidden(self) -> list[tuple[str, str]]:
        """What a form has to send again to mean the same."""
        said = [(name, self.fields[name]) for name in ("edges", "scale", "tare", "since") if self.fields.get(name)]
        return [*said, *((f"{part}{run.number}", run.typed[part]) for run in self.runs for part in PARTS if run.typed[part])]

    def query(self, **more: str) -> str:
        """The query that means the same, with more."""
        return urlencode([*self.hidden(), *((name.replace("_", ""), text) for name, text in more.items())])


def asked(query: Mapping[str, str], zone: ZoneInfo) -> Asked:
    """Read a form; what is wrong is told in `problems`, and what is right is kept."""
    names = ("edges", "scale", "tare", "since", "day")
    found = Asked(fields={name: query.get(name, "").strip()[:40] for name in names}, whole=query.get("edges") == "counted")
    for name, take in (("scale", percent_of), ("tare", tare_of)):
        if found.fields[name]:
            try:
                setattr(found, {"scale": "scale_percent", "tare": "tare_s"}[name], take(found.fields[name], name))
            except TallywireError as problem:
                found.problems.append(problem)
    if found.fields["since"]:
        try:
            found.since = time_of(found.fields["since"], zone, "since")
        except TallywireError as problem:
            found.problems.append(problem)
    for place in range(1, MOST_RUNS + 1):
        typed = {part: query.get(f"{part}{place}", "").strip()[:60] for part in PARTS}
        if any(typed[part] for part in ("from", "to", "mass")):
            run = AskedRun(number=len(found.runs) + 1, typed=typed)
            found.runs.append(run)
            _read(run, zone, found.problems)
    return found


def _read(run: AskedRun, zone: ZoneInfo, problems: list[TallywireError]) -> None:
    where = f"run {run.number}"
    try:
        run.begin, run.end = stretch_of(run.typed["from"], run.typed["to"], zone, where)
        if run.typed["mass"]:
            run.mass = mass_of(run.typed["mass"], where)
    except TallywireError as problem:
        problems.append(problem)
    if run.end > run.begin and run.typed["begin"] and run.typed["end"]:
        try:
            run.window = window_of((run.typed["begin"], run.typed["end"]), (run.begin, run.end), zone, where)
        except TallywireError:
            run.anew = True
            run.typed["begin"] = run.typed["end"] = ""
