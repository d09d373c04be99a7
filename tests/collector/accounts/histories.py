"""Histories that are known by hand, in memory: what an account asks of a store."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from checks.blocks import ARRAYS, RUNS, STATES, Blocks
from checks.finding import Finding, ShiftTonnes
from checks.merge import concat, merge_rows
from checks.reliability.timeline import Annotation, LoopState
from checks.result import Link, Verdict
from collector.accounts.reading import nothing
from collector.alerts.model import Alert, AlertState, Priority
from tests.bench.months import blocks_of
from tests.collector.web import plant

Floats = NDArray[np.float64]
LOOP = "TB-07"


def at(text: str) -> int:
    """Epoch seconds of a time in UTC."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


@dataclass
class Kept(plant.MemoryStore):
    """Blocks by loop and length; hours are made of the minutes where they are not given."""

    minutes: dict[str, Blocks] = field(default_factory=dict)
    hours: dict[str, Blocks] = field(default_factory=dict)

    def __post_init__(self) -> None:
        super().__init__()

    def rollups(self, loop: str, length_s: int, begin: int, end: int) -> Blocks | None:
        """Rows that start in a time."""
        kept = {60: self.minutes, 3600: self.hours}.get(length_s, {}).get(loop)
        if kept is None and length_s == 3600 and loop in self.minutes:
            kept = self.hours[loop] = by_hour(self.minutes[loop])
        if kept is None:
            return None
        first, last = np.searchsorted(kept.start_s, [begin, end])
        return kept[int(first) : int(last)] if last > first else None


def by_hour(blocks: Blocks) -> Blocks:
    """Whole hours of minutes."""
    merged = merge_rows(blocks, 3600)
    last = int(blocks.start_s[-1]) + 60
    return merged if last % 3600 == 0 else merged[slice(0, len(merged) - 1)]


def steady(
    begin: int,
    hours: float,
    *,
    flow: float = 240.0,
    plc: float = 1.0,
    gauge: float = 1.0,
    silent: tuple[tuple[float, float], ...] = (),
    lost: tuple[tuple[float, float], ...] = (),
    loop: str = LOOP,
) -> Blocks:
    """Minutes of a loaded belt at a flow [t/h]; totals are `gauge` and `plc` times it. The gauge is `silent`, and everything
    `lost` (totals count on), from and to these hours."""
    rows = round(hours * 60)
    own, measured = np.full(rows, flow / 60.0), np.full(rows, 60.0)
    total = np.full(rows, flow / 60.0 * plc)
    for first, last in (*silent, *lost):
        own[round(first * 60) : round(last * 60)] = measured[round(first * 60) : round(last * 60)] = 0.0
    for first, last in lost:
        gap = slice(round(first * 60), round(last * 60))
        if gap.stop < rows:
            total[gap.stop] += float(total[gap].sum())
        total[gap] = np.nan
    made = blocks_of(own, measured, total, np.full(rows, flow), begin=begin)
    widths = {name: np.zeros((len(made), len(RUNS))) for name in ("run_longest", "run_head", "run_tail")}
    increments = np.column_stack((np.where(made.measured_s > 0.0, flow / 60.0 * gauge, np.nan), made.increment_t[:, 1]))
    flows = np.nan_to_num(made.increment_t[:, 1])
    return made.with_arrays(
        {name: getattr(made, name) for name in ARRAYS} | widths, loop=loop, increment_t=increments, plc_own_t=flows
    )


def standing(blocks: Blocks, first: int, last: int) -> Blocks:
    """The same with a belt that stood between two moments: nothing moves."""
    rows = (blocks.start_s >= first) & (blocks.start_s < last)
    state, own, increments = blocks.state_s.copy(), blocks.own_t.copy(), blocks.increment_t.copy()
    state[rows], own[rows], increments[rows] = 0.0, 0.0, 0.0
    state[rows, STATES.index("stopped")] = 60.0
    return replace(blocks, state_s=state, own_t=own, increment_t=increments)


def worked_on(blocks: Blocks, first: int, last: int) -> Blocks:
    """The same with a bit that says calibration between two moments."""
    rows = (blocks.start_s >= first) & (blocks.start_s < last)
    state = blocks.state_s.copy()
    state[rows, STATES.index("calibrating")] = 60.0
    return replace(blocks, state_s=state)


def joined(*parts: Blocks) -> Blocks:
    """Stretches that follow on each other."""
    return concat([part for part in parts if len(part)] or [nothing(LOOP, 60)])


def alert(
    begin: int,
    end: int | None,
    *,
    link: Link = Link.SCALING_BLOCK,
    cause: str = "upper-range",
    title: str = "upper range differs",
    tonnes: float | None = 0.0,
    uncertainty: float | None = 1.0,
    by_shift: tuple[ShiftTonnes, ...] = (),
    check: str = "",
) -> Alert:
    """An alert of TB-07."""
    finding = Finding(
        loop=LOOP, link=link, cause=cause, title=title, verdict=Verdict.FAULT, odds=None, begin=begin,
        begin_interval=(begin, begin), end=end, tonnes=tonnes, tonnes_uncertainty=uncertainty, by_shift=by_shift, check=check,
    )  # fmt: skip
    return Alert(
        id=f"{LOOP}-{begin}", loop=LOOP, link=link.value, state=AlertState.ACKNOWLEDGED if end is None else AlertState.NORMAL,
        active=end is None, priority=Priority.HIGH, finding=finding, raised=float(begin + 60),
        returned=None if end is None else float(end),
    )  # fmt: skip


def noted(first: int, last: int, state: LoopState, made: float = 0.0) -> Annotation:
    """A correction of TB-07 by a person."""
    return Annotation(loop=LOOP, begin=first, end=last, state=state, by="R. Ortega", reason="seen", made=made)
