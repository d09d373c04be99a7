"""Two replays of the same data side by side: which findings are gained and lost, earlier and later, and at what rate."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from checks.result import Link
from collector.replay.loop_run import LoopDone, Told

MONTH_S = 30 * 86400.0
"""A loop-month here [s]."""
CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """The same trouble as both told it: `before` with the site as it is, `after` with the other one."""

    before: Told
    after: Told

    @property
    def later_s(self) -> int:
        """How much later the other one told it [s]; negative: earlier."""
        return self.after.raised_s - self.before.raised_s

    @property
    def begin(self) -> int:
        """When it began, by the one that knows it more closely [epoch s]."""
        return min((self.before.finding, self.after.finding), key=lambda found: _width(found.begin_interval)).begin

    @property
    def tonnes(self) -> float | None:
        """How many tonnes more the other one tells of [t]; None where one of them tells none."""
        before, after = self.before.finding.tonnes, self.after.finding.tonnes
        return None if before is None or after is None else after - before


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """Events in a time of observation with the exact Poisson interval of their rate [per loop-month]."""

    count: int
    months: float
    rate: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Delays:
    """From the begin of a trouble to when it was told [s], over the pairs: median and 90 %; None without pairs."""

    pairs: int
    median_s: float | None
    most_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One of the two: findings, those that were marked as false, both as rates, and the delays of the pairs."""

    findings: Rate
    false: Rate | None
    delays: Delays


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopDifference:
    """What differs in a loop. `same`: pairs that were told within the same second, by the same cause."""

    loop: str
    pairs: tuple[Pair, ...]
    gained: tuple[Told, ...]
    lost: tuple[Told, ...]

    def moved(self) -> tuple[Pair, ...]:
        """Pairs that were told at another time, under another cause, or with another verdict."""
        return tuple(pair for pair in self.pairs if pair.later_s or _name(pair.before) != _name(pair.after))


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """What another site would have told of the same data."""

    loops: tuple[LoopDifference, ...]
    before: Side
    after: Side

    def any(self) -> bool:
        """Whether anything differs."""
        return any(loop.gained or loop.lost or loop.moved() for loop in self.loops)


def compare(
    before: Sequence[LoopDone], after: Sequence[LoopDone], false: Collection[str] = (), marked: bool = False
) -> Difference:
    """Put two replays side by side.

    Parameters
    ----------
    before, after : sequence of LoopDone
        The same loops over the same time.
    false : collection of str
        Ids of findings that people know to be false, of either side; the other half of a pair is false too.
    marked : bool
        Whether people marked false findings at all: without, nothing is said of how many are.
    """
    loops = tuple(_of_loop(one, other) for one, other in zip(before, after, strict=True))
    pairs = [pair for loop in loops for pair in loop.pairs]
    wrong = set(false)
    for pair in pairs:
        if wrong & {pair.before.id, pair.after.id}:
            wrong |= {pair.before.id, pair.after.id}
    begins = {id(pair): pair.begin for pair in pairs}
    true = [pair for pair in pairs if pair.before.id not in wrong]
    sides = []
    for done, of in ((before, "before"), (after, "after")):
        months = sum(one.rows * one.step_s for one in done) / MONTH_S
        told = [item for one in done for item in one.told]
        waits = [max(0.0, getattr(pair, of).raised_s - begins[id(pair)]) for pair in true]
        sides.append(
            Side(
                findings=rate(len(told), months),
                false=rate(sum(item.id in wrong for item in told), months) if marked else None,
                delays=delays(waits),
            )
        )
    return Difference(loops=loops, before=sides[0], after=sides[1])


def rate(count: int, months: float) -> Rate:
    """A rate with the exact interval of a Poisson count: chi-square with 2n and 2n + 2 degrees of freedom (Garwood 1936)."""
    if months <= 0.0:
        return Rate(count=count, months=0.0, rate=None, low=None, high=None)
    tail = (1.0 - CONFIDENCE) / 2.0
    low = 0.5 * float(chi2.ppf(tail, 2 * count)) if count else 0.0
    high = 0.5 * float(chi2.ppf(1.0 - tail, 2 * count + 2))
    return Rate(count=count, months=months, rate=count / months, low=low / months, high=high / months)


def delays(waits: Sequence[float]) -> Delays:
    """Median and 90 % of some delays [s]."""
    if not waits:
        return Delays(pairs=0, median_s=None, most_s=None)
    median, most = np.quantile(waits, [0.5, 0.9])
    return Delays(pairs=len(waits), median_s=float(median), most_s=float(most))


def _of_loop(before: LoopDone, after: LoopDone) -> LoopDifference:
    """Pair what overlaps in time on the same link, the longest overlap first."""
    end = max(before.end or 0, after.end or 0)
    chances = sorted(
        (
            (-overlap, one.raised_s, other.raised_s, one, other)
            for one in before.told
            for other in after.told
            if one.finding.link == other.finding.link and (overlap := _overlap(one, other, end)) > 0.0
        ),
        key=lambda chance: chance[:3],
    )
    pairs: list[Pair] = []
    taken: set[tuple[str, str]] = set()
    for _, _, _, one, other in chances:
        if ("before", one.id) not in taken and ("after", other.id) not in taken:
            pairs.append(Pair(before=one, after=other))
            taken |= {("before", one.id), ("after", other.id)}
    pairs.sort(key=lambda pair: pair.before.raised_s)
    return LoopDifference(
        loop=before.loop,
        pairs=tuple(pairs),
        gained=tuple(item for item in after.told if ("after", item.id) not in taken),
        lost=tuple(item for item in before.told if ("before", item.id) not in taken),
    )


def _overlap(one: Told, other: Told, end: int) -> float:
    """Seconds that both stood, from the begin of each to its end."""
    first = max(min(one.finding.begin, one.raised_s), min(other.finding.begin, other.raised_s))
    last = min(end if one.ended_s is None else one.ended_s, end if other.ended_s is None else other.ended_s)
    return float(last - first)


def _width(interval: tuple[int, int]) -> float:
    width = float(interval[1] - interval[0])
    return width if math.isfinite(width) else math.inf


def _name(told: Told) -> tuple[Link, str, str]:
    return told.finding.link, told.finding.cause, told.finding.verdict.value
