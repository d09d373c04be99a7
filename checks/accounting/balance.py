"""Tonnes of a period three ways, the hours that were not measured, what stands in for them, and the best estimate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from checks.accounting.calendar import Period
from checks.blocks import TOTALS, Blocks

Floats = NDArray[np.float64]
Method = Literal["PLC total", "mean load of the shift", "none"]

LEAST_COMMON, LEAST_COMMON_S = 3, 600
"""Rows, and seconds, in which both ends must be there before their ratio is told."""
LEAST_MEASURED = 0.05
"""Part of a shift that must be measured before its mean load stands in for the rest."""


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
class Excluded:
    """A stretch the gauge did not measure: epoch seconds, hours, and what stands in for it [t] by which method."""

    begin: int
    end: int
    hours: float
    method: Method
    tonnes: float
    standard: float
    """Random standard uncertainty of `tonnes` [t]."""


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
    usual: tuple[float, float] | None = None,
) -> PeriodBalance:
    """The balance of a period from blocks of one length (60 s or 3600 s) that lie on its grid; missing rows are not measured.

    `shifts` are those whose mean load stands in (the whole period where empty). A block counts where it starts. In `void`
    (epoch s) the gauge was not to be believed while the belt moved: its tonnes do not count, and the PLC, which copies them,
    does not stand in. `usual` is what `ratio_of` says of a longer time, for where this one has too few common rows.
    ValueError where the period or a shift begins or ends inside a block: hours do not fit a shift at half past, minutes do.
    """
    if any(edge % blocks.length_s for part in (period, *shifts) for edge in (part.begin, part.end)):
        raise ValueError(f"{period.name} does not begin and end with a block of {blocks.length_s} s: give shorter blocks")
    grid = _Grid(blocks, period, void)
    ratio, spread = _ratio(grid) or usual or (1.0, known.card)
    excluded: list[Excluded] = []
    for part in shifts or (period,):
        inside = (grid.start >= part.begin) & (grid.start < part.end)
        excluded += _stand_ins(grid, inside, ratio, spread)
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
    excluded = tuple(stretch for part in parts for stretch in part.excluded)
    states = {name: math.fsum(part.by_state.get(name, 0.0) for part in parts) for part in parts for name in part.by_state}
    return PeriodBalance(
        period=period, gauge=_sum([part.gauge for part in parts]), plc=_sum([part.plc for part in parts]),
        own=math.fsum(part.own for part in parts), best=best, random=math.hypot(*(part.random for part in parts)),
        systematic=_systematic(known, best, hours, excluded), measured_h=hours, excluded=excluded, by_state=states,
    )  # fmt: skip


def ratio_of(blocks: Blocks, period: Period, void: Sequence[tuple[int, int]] = ()) -> tuple[float, float] | None:
    """Own tonnes over PLC tonnes [1] where both are there, and its standard uncertainty; None where too little is."""
    return _ratio(_Grid(blocks, period, void))


def _sum(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return math.fsum(known) if known else None


def _systematic(known: Known, best: float, hours: float, excluded: Sequence[Excluded]) -> float:
    stand_in_h = sum(stretch.hours for stretch in excluded if stretch.method != "none")
    return math.hypot(known.span * best, known.zero_t_h * (hours + stand_in_h))


class _Grid:
    """The blocks of a period on its full grid: zero seconds and zero tonnes where a row is missing or void."""

    def __init__(self, blocks: Blocks, period: Period, void: Sequence[tuple[int, int]] = ()) -> None:
        length = self.length = blocks.length_s
        self.start = np.arange(period.begin, period.end, length, dtype=np.int64)
        here = (blocks.start_s >= period.begin) & (blocks.start_s < period.end)
        rows = (blocks.start_s[here] - period.begin) // length
        self.measured, self.own = np.zeros(len(self.start)), np.zeros(len(self.start))
        self.measured[rows] = np.nan_to_num(blocks.measured_s[here])
        self.own[rows] = np.nan_to_num(blocks.own_t[here])
        self.totals = np.full((len(self.start), len(TOTALS)), np.nan)
        self.totals[rows] = blocks.increment_t[here]
        self.broken = np.zeros(len(self.start), np.bool_)
        self.broken[rows] = blocks.discontinuities[here, 1] > 0.0
        states = {name: np.zeros(len(self.start)) for name in ("loaded", "empty", "stopped")}
        for name, seconds in states.items():
            seconds[rows] = blocks.state(name)[here]
        self.states = states
        self.void = np.zeros(len(self.start), np.bool_)
        for begin, end in void:
            inside = np.minimum(self.start + length, end) - np.maximum(self.start, begin)
            self.void |= (inside > 0.5 * length) & (states["stopped"] <= 0.5 * length)
        self.measured[self.void] = self.own[self.void] = 0.0
        seconds = blocks.plc_measured_s if (blocks.plc_measured_s > 0.0).any() else blocks.covered_s
        whole = np.isfinite(blocks.increment_t[:, 1]) & (seconds >= 0.999 * length)
        self.read = np.zeros(len(self.start), np.bool_)
        self.read[rows] = whole[here]
        """Rows all through which the PLC total was read."""
        known_before = bool(whole[blocks.start_s == period.begin - length].all()) or not (blocks.start_s < period.begin).any()
        self.late = np.isfinite(self.totals[:, 1]) & ~np.concatenate([[known_before], self.read[:-1]])
        """Rows before which the PLC total was not read: they hold what it gained meanwhile."""

    def total(self, column: int) -> float | None:
        seen = self.totals[:, column]
        return float(np.nansum(seen)) if np.isfinite(seen).any() else None

    @property
    def common(self) -> NDArray[np.bool_]:
        """Rows that the gauge measured whole and in which the PLC total holds this row and nothing else."""
        found = np.isfinite(self.totals[:, 1]) & (self.measured >= 0.999 * self.length) & ~self.late
        return np.asarray(found, np.bool_)

    def apart(self) -> dict[str, float]:
        both = self.common
        difference = np.where(both, np.nan_to_num(self.totals[:, 1]) - self.own, 0.0)
        named = {name: both & (seconds > 0.5 * self.length) for name, seconds in self.states.items()}
        mixed = both & ~np.logical_or.reduce(list(named.values()))
        return {name: float(difference[rows].sum()) for name, rows in {**named, "changing": mixed}.items() if rows.any()}


def _ratio(grid: _Grid) -> tuple[float, float] | None:
    both = grid.common
    plc, own = grid.totals[both, 1], grid.own[both]
    if len(plc) < max(LEAST_COMMON, LEAST_COMMON_S // grid.length) or not plc.sum() > 0.0:
        return None
    ratio = float(own.sum() / plc.sum())
    scatter = math.sqrt(float(np.sum((own - ratio * plc) ** 2)) * len(plc) / (len(plc) - 1)) / float(plc.sum())
    return ratio, scatter


def _stand_ins(grid: _Grid, inside: NDArray[np.bool_], ratio: float, spread: float) -> list[Excluded]:
    """What stands in for each stretch of a shift that was not measured."""
    silent = inside & (grid.measured < 0.999 * grid.length)
    missing = np.where(silent, grid.length - grid.measured, 0.0) / 3600.0
    hours = float(grid.measured[inside].sum()) / 3600.0
    enough = hours >= LEAST_MEASURED * float(inside.sum()) * grid.length / 3600.0 and hours > 0.0
    rate = float(grid.own[inside].sum()) / hours if enough else math.nan
    whole = inside & ~silent
    rates = grid.own[whole] * 3600.0 / grid.length
    stretches, counted = _stretches(grid, inside, silent)
    out = []
    for first, last in _runs(stretches, counted):
        rows = slice(first, last)
        gap = float(missing[rows].sum())
        at = np.flatnonzero(silent[rows]) + first
        method: Method = "none"
        tonnes = standard = 0.0
        if counted[first]:
            plc = ratio * float(np.nansum(grid.totals[rows, 1]))
            tonnes, standard, method = plc - float(grid.own[rows].sum()), abs(plc) * spread, "PLC total"
        elif enough and len(rates) > 1:
            tonnes, standard, method = rate * gap, gap * _scatter(rates, last - first), "mean load of the shift"
        out.append(
            Excluded(
                begin=int(grid.start[at[0]]), end=int(grid.start[at[-1]]) + grid.length, hours=gap,
                method=method, tonnes=tonnes, standard=standard,
            )
        )  # fmt: skip
    return out


def _stretches(
    grid: _Grid, inside: NDArray[np.bool_], silent: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """The rows that need a stand-in, and those for which the PLC total says what passed.

    A total that is not read may count on; its gain stands in the row in which it is read again, so a stretch over which it
    was read at both ends is made one with that row. A total that was reset meanwhile says nothing.
    """
    seen = np.isfinite(grid.totals[:, 1]) & ~grid.void
    joined, counted = silent.copy(), seen & grid.read & ~grid.late
    unread = inside & (silent | ~seen)
    for first, last in _runs(unread, np.zeros_like(unread)):
        whole = slice(first, last + 1)
        begun = (seen[first] and not grid.late[first]) or (first > 0 and inside[first - 1] and seen[first - 1])
        ended = last < len(unread) and inside[last] and seen[last]
        if not silent[first:last].any() or counted[first:last].all() or grid.void[first:last].any():
            continue
        if begun and ended and not grid.broken[whole].any():
            joined[whole] = counted[whole] = True
    return joined, counted


def _runs(silent: NDArray[np.bool_], counted: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last (exclusive) row of each stretch that is silent in one way."""
    kind = np.where(silent, np.where(counted, 2, 1), 0)
    edges = np.flatnonzero(np.diff(kind, prepend=0, append=0))
    return [(int(a), int(b)) for a, b in pairwise(edges) if kind[a] > 0]


def _scatter(rates: Floats, rows: int) -> float:
    """How far the mean of so many rows lies from the mean of all [t/h, k = 1]: read off the measured rows by moving means.

    Moving means lie nearer to the mean they help to make than an outside stretch does, by twice the variance of that mean. It
    is a third of what moving means over a quarter of the rows show: four of them make it, so they show the other three parts.
    A stretch longer than half of what was measured takes the scatter of that half: the load then is known no better.
    """

    def shown(length: int) -> float:
        sums = np.cumsum(np.concatenate(([0.0], rates)))
        means = (sums[length:] - sums[:-length]) / length
        return float(np.mean((means - rates.mean()) ** 2))

    of_mean = shown(max(1, len(rates) // 4)) / 3.0
    return math.sqrt(shown(max(1, min(rows, len(rates) // 2))) + 2.0 * of_mean)
