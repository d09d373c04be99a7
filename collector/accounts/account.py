"""The account of a loop over a time: tonnes three ways by shift, day or month, the best estimate, and why they differ."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np

from checks.accounting.balance import PeriodBalance, balance, combined
from checks.accounting.bridge import Bridge, Step, bridge
from checks.accounting.calendar import Period, periods
from checks.accounting.drift import unit_chain
from checks.blocks import Blocks
from checks.references import MaterialTest, Reference, references_of
from checks.result import CheckResult, Verdict
from collector.accounts import explained
from collector.accounts.creeping import LOOK_S, Creep, creeps_of
from collector.accounts.grounds import agreement, grounds_of
from collector.accounts.periods import begun, date_at, shifts_of, whole_of
from collector.accounts.reading import DAY_S, HOUR_S, Rows, pieces, rows_of, tonnes_between
from collector.alerts.model import Alert
from collector.history.store import Store
from collector.uptime import BEFORE_S, MOST_ALERTS
from config.model import Loop, Site

UNREAD = "hours in which the PLC total was not read"
Past = Callable[[float, float, int], Sequence[Alert]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """Moisture of the product [%] and the part of the tonnes for which it is known; `source` says by what, empty where not."""

    moisture: float | None = None
    known: float = 0.0
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """One loop over `whole.period`. `parts` are its shifts, days or months; `bridge` None where the PLC booked nothing.

    `alike` are tonnes (+ = booked too much) of findings at the gauge: both ends hold them, so the bridge does not. `verdict` is
    that of the loop (both ends booked the same), `deviation` PLC less best estimate, both where the PLC total is known, and `deviation_u` its
    expanded uncertainty (k = 2) [% of the tonnes]; `weight` that of the tonnes, by reference lots. `work_h` are hours in which a bit
    said maintenance or calibration while the belt moved; they do not count as measured. `running`: the time has not ended.
    """

    loop: str
    title: str
    whole: PeriodBalance
    parts: tuple[PeriodBalance, ...]
    bridge: Bridge | None
    alike: tuple[Step, ...]
    verdict: Verdict
    why: str
    deviation: float | None
    deviation_u: float
    weight: CheckResult
    grounds: tuple[str, ...]
    units: str
    water: Water
    creeps: tuple[Creep, ...]
    work_h: float
    running: bool

    @property
    def difference(self) -> float | None:
        """PLC total less best estimate [t]."""
        return None if self.whole.plc is None or not self.whole.known else self.whole.plc - self.whole.best

    @property
    def measured(self) -> bool:
        """Whether there is anything to state."""
        return self.whole.known or self.whole.plc is not None

    @property
    def dry(self) -> float | None:
        """Best estimate without its water [t], None where the moisture is not known."""
        return None if self.water.moisture is None else self.whole.best * (1.0 - self.water.moisture / 100.0)


def worst_first(accounts: Iterable[Account]) -> list[Account]:
    """Loops that do not agree first, then by how many tonnes their ends are apart; those of which nothing is known last."""
    order = (Verdict.FAULT, Verdict.SUSPECT, Verdict.OK, Verdict.NOT_EVALUATED)
    return sorted(accounts, key=lambda one: (order.index(one.verdict), -abs(one.difference or 0.0), one.loop))


def read(
    site: Site,
    store: Store,
    past: Past,
    loop_id: str,
    parts: Sequence[Period],
    now: float,
    *,
    named: Period | None = None,
    creep: bool = True,
) -> Account:
    """The account of a loop over periods that follow on each other, from the history: the same history, the same account.

    `named` is the period that the parts fill, where it has a name of its own. Parts that have not begun are left out; ValueError
    where none has. `creep` False leaves out what creeps.
    """
    loop, given = site.loops[loop_id], begun(parts, now)
    if not given:
        raise ValueError("the time lies ahead")
    whole = replace(named or whole_of(parts), end=given[-1].end)
    rows = rows_of(store, loop_id, whole.begin, whole.end)
    alerts = past(whole.begin - BEFORE_S, float(whole.end), MOST_ALERTS)
    standing = explained.stood(alerts, loop_id, whole.begin, whole.end, int(now))
    notes = store.annotations(loop_id, whole.begin, whole.end)
    void, idle = explained.void(standing, notes), explained.idle(notes)
    references = references_of(site, loop_id)
    grounds = grounds_of(site, loop_id, store, references, whole.end, int(now))
    known, inside = grounds.known, _shifts(site, whole.begin, whole.end)
    usual = rows.usual(inside, void)
    shifts = {one.begin: balance(rows.of(one, (*void, *idle)), one, known, void=void, idle=idle, usual=usual) for one in inside}
    found = tuple(
        combined([one for begin, one in shifts.items() if part.begin <= begin < part.end], part, known) for part in given
    )
    total = combined(found, whole, known)
    passed = _passed(store, loop_id, rows, standing, whole)
    between, alike = explained.steps(standing, whole.begin, whole.end, passed, total.excluded)
    if total.unbooked:
        between.append(Step(name=UNREAD, tonnes=-total.unbooked, uncertainty=None))
    deviation, wide = _deviation(total)
    verdict, why = agreement(deviation, wide, total.best, loop)
    work_h = _work([part for part in (rows.hours, rows.minutes) if len(part)], whole)
    return Account(
        loop=loop_id, title=loop.title, whole=total, parts=found, alike=tuple(alike), verdict=verdict, why=why,
        bridge=None if total.plc is None or not total.known else bridge(total.plc, total.best, between, total.by_state), deviation=deviation,
        deviation_u=wide, weight=grounds.weight, grounds=grounds.words, units=units_of(loop), work_h=work_h,
        water=_water(loop, references, pieces(store, loop_id, HOUR_S, whole.begin, whole.end), whole),
        creeps=creeps_of(loop, grounds.series, grounds.window, _days(store, loop_id, whole.end), whole.end) if creep else (),
        running=whole.end < parts[-1].end,
    )  # fmt: skip


def _shifts(site: Site, begin: int, end: int) -> list[Period]:
    first, last = (date_at(site, edge) for edge in (begin, end))
    every = periods("shift", first - timedelta(days=1), last, shifts_of(site), site.time_zone)
    return [replace(one, end=min(one.end, end)) for one in every if begin <= one.begin < end]


def _deviation(total: PeriodBalance) -> tuple[float | None, float]:
    """PLC less best estimate where the PLC total is known, and its expanded uncertainty [% of the tonnes]: what both ends share
    is in neither."""
    common = total.best - total.unbooked
    if total.plc is None or not total.known or not abs(common) > 0.0:
        return None, 0.0
    random = math.sqrt(max(total.random**2 - sum(gap.standard**2 for gap in total.excluded if not gap.booked), 0.0))
    return 100.0 * (total.plc - common) / abs(common), 200.0 * random / abs(common)


def _passed(store: Store, loop: str, rows: Rows, standing: Sequence[explained.Stood], whole: Period) -> explained.Passed:
    """Tonnes between two moments, read again where a finding reaches out of the time."""
    first, last = (
        min([whole.begin, *(item.begin for item in standing)]),
        max([whole.end, *(item.whole[1] for item in standing)]),
    )
    wide = rows if (first, last) == (whole.begin, whole.end) else rows_of(store, loop, first - first % HOUR_S, last)

    def passed(begin: int, end: int) -> tuple[float, float]:
        hours, minutes = wide.hours, wide.minutes
        if len(minutes) and int(minutes.start_s[0]) <= begin:
            return tonnes_between(minutes, begin, end)
        after = max(begin, int(hours.start_s[-1]) + HOUR_S) if len(hours) else begin
        coarse, fine = tonnes_between(hours, begin, end), tonnes_between(minutes, after, end)
        return coarse[0] + fine[0], coarse[1] + fine[1]

    return passed


def _work(rows: Sequence[Blocks], whole: Period) -> float:
    """Hours in which a bit said maintenance or calibration while the belt moved; the longest stretch of rows tells."""
    if not rows:
        return 0.0
    part = max(rows, key=lambda one: len(one) * one.length_s)
    inside = (part.start_s >= whole.begin) & (part.start_s < whole.end) & (part.state("stopped") <= 0.5 * part.length_s)
    return float(np.maximum(part.state("maintenance"), part.state("calibrating"))[inside].sum()) / 3600.0


def _days(store: Store, loop: str, end: int) -> list[Blocks]:
    """Blocks of a day, and the hours of the newest days where none of a day is stored yet."""
    days = pieces(store, loop, DAY_S, end - LOOK_S, end)
    after = int(days[-1].start_s[-1]) + DAY_S if days else end - LOOK_S
    return days + pieces(store, loop, HOUR_S, after, end)


def units_of(loop: Loop) -> str:
    """The chain of units of a loop on one line, as the tags declare them."""

    def unit(role: str, otherwise: str) -> str:
        tag = loop.tags.get(role)
        return tag.measured_in or otherwise if tag is not None else "not read"

    low, high = loop.gauge.range.low, loop.gauge.range.high
    line = unit_chain(unit("flow", "t/h"), low, high, unit("plc_flow", "t/h"), unit("plc_total", "t"))
    other = loop.plc.range
    return (
        line
        if (other.low, other.high) == (low, high)
        else f"{line}; the PLC takes 4..20 mA as {other.low:g}..{other.high:g} t/h"
    )


def _water(loop: Loop, references: Sequence[Reference], hours: Sequence[Blocks], whole: Period) -> Water:
    """Moisture by its tag, weighted with the tonnes; else the mean of the laboratory's of lots that ended in the time."""
    wet = known = every = 0.0
    for part in hours:
        own = np.nan_to_num(part.own_t)
        here = (part.start_s >= whole.begin) & (part.start_s < whole.end)
        moisture = part.of("mean", "moisture")
        seen = here & np.isfinite(moisture)
        wet += float((own * np.nan_to_num(moisture))[seen].sum())
        known, every = known + float(own[seen].sum()), every + float(own[here].sum())
    if "moisture" in loop.tags and known > 0.0:
        return Water(moisture=wet / known, known=known / every, source="its tag")
    lots = [
        entry.moisture
        for entry in references
        if isinstance(entry, MaterialTest) and entry.moisture is not None and whole.begin < entry.end_s <= whole.end
    ]
    if lots:
        return Water(
            moisture=sum(lots) / len(lots), known=1.0, source=f"the laboratory, {len(lots)} lot{'s' * (len(lots) != 1)}"
        )
    return Water()
