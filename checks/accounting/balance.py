"""Tonnes of a period three ways, the hours that were not measured, what stands in for them, and the best estimate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from checks.accounting.calendar import Period
from checks.accounting.grid import Grid, ratio_on
from checks.accounting.stand_ins import Excluded as Excluded
from checks.accounting.stand_ins import Usual, rates_of, stand_ins
from checks.blocks import Blocks


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """How well the gauge is known, each as a standard uncertainty (k = 1).

    `span` [part of the tonnes] and `zero_t_h` [t/h] are systematic: the same in every block. `noise_t_h` [t/h] is random
    with the correlation time `noise_s` [s] (Bartlett: the variance of a mean over T is noise^2 * 2 noise_s / T). `card` [part
    of the tonnes] is what the way to the PLC may differ by where no common hours tell it.
    """

    span: float
    zero_t_h: float
    noise_t_h: float
    noise_s: float
    card: float = 0.0015


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodBalance:
    """One period of one loop [t]; totals are None where the loop lacks them or no block has them.

    `best` is `own` plus what stands in for the excluded hours. `random` and `systematic` are standard uncertainties (k = 1),
    `uncertainty` the expanded one of both (k = 2; JCGM 100:2008, 6.2). `complete` is False where hours have no stand-in: then
    `best` leaves them out and the uncertainty does not cover them.
    """

    period: Period
    gauge: float | None
    plc: float | None
    own: float
    best: float
    random: float
    systematic: float
    measured_h: float
    excluded: tuple[Excluded, ...]
    by_state: dict[str, float]
    """PLC total less own integral [t] by what the belt did, where both were there."""

    @property
    def uncertainty(self) -> float:
        """Expanded uncertainty of `best`, k = 2 [t]."""
        return 2.0 * math.hypot(self.random, self.systematic)

    @property
    def excluded_h(self) -> float:
        """Hours that were not measured."""
        return sum(stretch.hours for stretch in self.excluded)

    @property
    def unbooked(self) -> float:
        """What stands in for hours of which the PLC total is not known [t]: `best` holds it, `plc` cannot."""
        return math.fsum(stretch.tonnes for stretch in self.excluded if not stretch.booked)

    @property
    def known(self) -> bool:
        """Whether anything was measured or has a stand-in; else `own` and `best` are zero for want of anything."""
        return self.measured_h > 0.0 or any(stretch.method != "none" for stretch in self.excluded)

    @property
    def complete(self) -> bool:
        """Whether every hour is measured or has a stand-in."""
        return all(stretch.method != "none" for stretch in self.excluded)


def balance(
    blocks: Blocks,
    period: Period,
    known: Known,
    shifts: Sequence[Period] = (),
    *,
    void: Sequence[tuple[int, int]] = (),
    idle: Sequence[tuple[int, int]] = (),
    usual: Usual | None = None,
) -> PeriodBalance:
    """The balance of a period from blocks of one length (60 s or 3600 s) that lie on its grid; missing rows are not measured.

    `shifts` are those whose mean load stands in (the whole period where empty). A block counts where it starts. In `void`
    (epoch s) the gauge was not to be believed while the belt moved: its tonnes do not count, and the PLC, which copies them,
    does not stand in; the same where a bit said maintenance or calibration. In `idle` (epoch s) nothing passed. `usual` is what `usual_of` says of a longer time, for what this one is too short to tell.
    ValueError where the period or a shift begins or ends inside a block: hours do not fit a shift at half past, minutes do.
    """
    if any(edge % blocks.length_s for part in (period, *shifts) for edge in (part.begin, part.end)):
        raise ValueError(f"{period.name} does not begin and end with a block of {blocks.length_s} s: give shorter blocks")
    grid = Grid(blocks, period, void, idle)
    ratio, spread = ratio_on(grid) or (usual.ratio if usual is not None else None) or (1.0, known.card)
    excluded: list[Excluded] = []
    for part in shifts or (period,):
        inside = (grid.start >= part.begin) & (grid.start < part.end)
        excluded += stand_ins(grid, inside, ratio, spread, usual)
    own = float(grid.own.sum())
    best = own + math.fsum(stretch.tonnes for stretch in excluded)
    hours = float(grid.measured.sum()) / 3600.0
    copied = math.fsum(stretch.hours for stretch in excluded if stretch.method == "PLC total")
    noise = known.noise_t_h * math.sqrt(2.0 * known.noise_s / 3600.0 * (hours + copied))
    return PeriodBalance(
        period=period, gauge=grid.total(0), plc=grid.total(1), own=own, best=best,
        random=math.sqrt(noise**2 + sum(stretch.standard**2 for stretch in excluded)),
        systematic=_systematic(known, best, hours, excluded),
        measured_h=hours, excluded=tuple(excluded), by_state=grid.apart(),
    )  # fmt: skip


def combined(parts: Sequence[PeriodBalance], period: Period, known: Known) -> PeriodBalance:
    """The balance of a period from those of its parts (at least one), so that every sum adds up: random parts are independent
    and add by their squares, systematic ones are the same in all. A total that a part lacks is the sum of the others."""
    best, hours = math.fsum(part.best for part in parts), math.fsum(part.measured_h for part in parts)
    excluded = _joined([stretch for part in parts for stretch in part.excluded])
    states = {name: math.fsum(part.by_state.get(name, 0.0) for part in parts) for part in parts for name in part.by_state}
    return PeriodBalance(
        period=period, gauge=_sum([part.gauge for part in parts]), plc=_sum([part.plc for part in parts]),
        own=math.fsum(part.own for part in parts), best=best, random=math.hypot(*(part.random for part in parts)),
        systematic=_systematic(known, best, hours, excluded), measured_h=hours, excluded=excluded, by_state=states,
    )  # fmt: skip


def _joined(stretches: Sequence[Excluded]) -> tuple[Excluded, ...]:
    """The stretches, those that follow on each other without a stand-in as one."""
    out: list[Excluded] = []
    for one in stretches:
        last = out[-1] if out else None
        if last is not None and last.method == one.method == "none" and (last.end, last.booked) == (one.begin, one.booked):
            out[-1] = replace(last, end=one.end, hours=last.hours + one.hours)
        else:
            out.append(one)
    return tuple(out)


def usual_of(blocks: Blocks, shifts: Sequence[Period], void: Sequence[tuple[int, int]] = ()) -> Usual:
    """What the shifts of a time have in common; those that begin or end inside a block are left out."""
    length = blocks.length_s
    whole = [one for one in shifts if not one.begin % length and not one.end % length and one.end > one.begin]
    if not whole:
        return Usual(ratio=None)
    grid = Grid(blocks, replace(whole[0], end=whole[-1].end), void)
    parts = [(grid.start >= one.begin) & (grid.start < one.end) for one in whole]
    return Usual(ratio=ratio_on(grid), length_s=length, rates=tuple(rates_of(grid, inside) for inside in parts))


def _sum(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return math.fsum(known) if known else None


def _systematic(known: Known, best: float, hours: float, excluded: Sequence[Excluded]) -> float:
    stand_in_h = sum(stretch.hours for stretch in excluded if stretch.method != "none")
    return math.hypot(known.span * best, known.zero_t_h * (hours + stand_in_h))
