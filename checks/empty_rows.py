"""Blocks as the empties ledger looks at them, and the net count rate of a row of empty ones."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from checks.blocks import STATES, Blocks
from checks.changing import changed, newest
from checks.derived import EXPECTED
from checks.physics import true_rate
from checks.samples import Samples
from config.model import Loop, SpeedSource

Floats = NDArray[np.float64]

STATES_OUT = ("maintenance", "calibrating", "unsettled")
RUN_OUT_SIGMA = 4.0
"""A block this many standard deviations off all that came behind it still held a load."""
SCATTER_SIGMA = 3.7
UNEVEN_BY_FLOW = 0.007
"""Unevenness of a belt that the scatter of its blocks may hold where the flow says empty [parts of the counts]: 1 mm of
rubber here and there."""
UNEVEN_ELSE = 0.002
"""The same where only the feeder says empty: a load moves more than that."""
FLOW_WAIT = 3.0
"""Time constants of the gauge after which its flow has forgotten the load; the counts have sooner [1]."""
AT_TOP = 0.98
"""Above this part of the range the flow may be limited and says nothing of the counts."""


@dataclass(frozen=True, slots=True)
class EmptyRow:
    """One block. `usable`: it ran all through, settled, no work on the loop, counts good; None is unknown."""

    start_s: int
    end_s: int
    usable: bool
    by_flow: bool
    feed_on: bool | None
    stands: bool
    running_s: float
    loaded_s: float
    load_error: float | None
    rate: float
    counted_s: float
    flow: float
    still: bool
    plc_flow: float
    temperature: float
    speed: float
    product: float | None
    tare_rate: float | None
    tared: bool
    shutter_moved: bool


@dataclass(slots=True)
class Look:
    """What blocks do not hold and samples do: feeder, shutter, product and tare, by block number; chunks do not matter."""

    feed: dict[int, bool] = field(default_factory=dict)
    shutter: dict[int, bool] = field(default_factory=dict)
    product: dict[int, float] = field(default_factory=dict)
    tare: dict[int, float] = field(default_factory=dict)
    tared: set[int] = field(default_factory=set)
    last: dict[str, float] = field(default_factory=dict)

    def take(self, samples: Samples, length_s: int) -> None:
        """Take the next samples."""
        if not len(samples):
            return
        number = samples.time_s // length_s
        if "feed_running" in samples.values:
            feed = samples.values["feed_running"]
            self.feed = dict.fromkeys(_once(number[np.isfinite(feed)]), False) | self.feed
            self.feed |= dict.fromkeys(_once(number[feed > 0.5]), True)
        self._changes(samples.column("product"), number, "product", self.product)
        for block in self._changes(samples.column("empty_belt_rate"), number, "empty_belt_rate", self.tare):
            self.tared.add(block)
        closed = samples.column("shutter_closed")
        moved: dict[int, float] = {}
        for block in self._changes(np.where(np.isnan(closed), np.nan, np.round(closed)), number, "shutter_closed", moved):
            self.shutter[block] = True

    def _changes(self, values: Floats, number: NDArray[np.int64], role: str, into: dict[int, float]) -> list[int]:
        """Blocks in which a value changed from a known one; the new value goes into `into`."""
        before = self.last.get(role, np.nan)
        rows = changed(values, before)
        for row in rows.tolist():
            into[int(number[row])] = float(values[row])
        self.last[role] = newest(values, before)
        return [int(number[row]) for row in rows[0 if np.isfinite(before) else 1 :]]

    def forget(self, number: int) -> None:
        """Drop what belongs to blocks before this one but the newest product and tare."""
        for table in (self.feed, self.shutter, self.product, self.tare):
            for old in [key for key in table if key < number]:
                del table[old]
        self.tared = {key for key in self.tared if key >= number}


def _once(number: NDArray[np.int64]) -> list[int]:
    """Each of some numbers in rising order, once."""
    return [int(value) for value in number[np.diff(number, prepend=np.int64(-1)) != 0]]


class Looked:
    """Closed blocks as the empties ledger looks at them, in order of time; `rows` gives some of them.

    Shape (B,) each: `running`, `loaded` [s], `error` [t/h, NaN where it is not known], `stands`, `by_flow`, `usable`, `feed_on` (-1
    unknown, 0 off, 1 on), and `noted`, where something happened that the ledger keeps.
    """

    def __init__(self, loop: Loop, blocks: Blocks, look: Look) -> None:
        length, covered = blocks.length_s, blocks.covered_s
        self.start_s, self.length_s = blocks.start_s, length
        numbers = blocks.start_s // length
        state = dict(zip(STATES, blocks.state_s.T, strict=True))
        self.running, self.loaded = state["loaded"] + state["empty"], state["loaded"]
        out = np.sum([state[name] for name in STATES_OUT], axis=0)
        self._rate, self._counted = blocks.of("mean", "count_rate"), blocks.of("n", "count_rate") * blocks.step_s
        still_counts = (blocks.of("n", "count_rate") >= 5.0) & (blocks.of("m2", "count_rate") == 0.0)
        self.usable = (covered >= length) & (self.running >= covered) & (out == 0.0) & (self._counted >= 0.9 * length)
        self.usable &= ~still_counts
        self._flow, self._plc = blocks.of("mean", "flow"), blocks.of("mean", "plc_flow")
        self._still = (blocks.of("n", "flow") > 0.0) & (blocks.of("m2", "flow") == 0.0) & (self._flow == 0.0)
        self._temperature, self._speed = blocks.of("mean", "detector_temperature"), speeds(loop, blocks)
        error = self._flow - blocks.of("mean", EXPECTED)
        settled = (state["loaded"] >= covered) & (out == 0.0) & (blocks.of("n", EXPECTED) * blocks.step_s >= covered)
        settled &= (blocks.of("maximum", "flow") < AT_TOP * loop.gauge.range.high) & np.isfinite(error)
        self.error = np.where(settled, error, np.nan)
        self.stands, self.by_flow = (state["stopped"] >= 0.5 * covered) & (covered > 0.0), state["empty"] >= covered
        self.feed_on = np.full(len(blocks), -1, np.int8)
        if "feed_running" in loop.tags:
            self.feed_on[:] = [look.feed.get(number, -1) for number in numbers.tolist()]
        self._product = _held(numbers, look.product, look.last, "product:held")
        self._tare = _held(numbers, look.tare, look.last, "tare:held")
        self._tared, self._shutter = np.isin(numbers, list(look.tared)), np.isin(numbers, list(look.shutter))
        self.noted = self._tared | self._shutter
        look.forget(int(numbers[-1]) + 1)

    def __len__(self) -> int:
        return len(self.start_s)

    def rows(self, rows: NDArray[np.intp]) -> list[EmptyRow]:
        """Some of the blocks, one by one."""
        start = self.start_s[rows]
        feed, error = self.feed_on[rows].tolist(), self.error[rows].tolist()
        product, tare = self._product[rows].tolist(), self._tare[rows].tolist()
        columns = (
            start, start + self.length_s, self.usable[rows], self.by_flow[rows], self.stands[rows], self.running[rows],
            self.loaded[rows], self._rate[rows], self._counted[rows], self._flow[rows], self._still[rows], self._plc[rows],
            self._temperature[rows], self._speed[rows], self._tared[rows], self._shutter[rows],
        )  # fmt: skip
        plain = zip(*(column.tolist() for column in columns), strict=True)
        return [
            EmptyRow(
                start_s=each[0], end_s=each[1], usable=each[2], by_flow=each[3], feed_on=None if fed < 0 else bool(fed),
                stands=each[4], running_s=each[5], loaded_s=each[6], load_error=None if math.isnan(off) else off, rate=each[7],
                counted_s=each[8], flow=each[9], still=each[10], plc_flow=each[11], temperature=each[12], speed=each[13],
                product=None if math.isnan(kind) else kind, tare_rate=None if math.isnan(tared) else tared, tared=each[14],
                shutter_moved=each[15],
            )
            for each, fed, off, kind, tared in zip(plain, feed, error, product, tare, strict=True)
        ]  # fmt: skip


def _held(numbers: NDArray[np.int64], changes: dict[int, float], last: dict[str, float], name: str) -> Floats:
    """A value at each block, the last one known held; NaN before the first. The newest one is remembered."""
    out = np.full(len(numbers), last.get(name, np.nan))
    for number, value in sorted(changes.items()):
        place = int(np.searchsorted(numbers, number))
        if place < len(numbers) and numbers[place] == number:
            out[place:] = value
            last[name] = value
        elif place == len(numbers):
            break
    return out


def speeds(loop: Loop, blocks: Blocks) -> Floats:
    """Mean belt speed of each block [m/s], shape (B,): the fixed one where that is declared, NaN where none is known."""
    measured = blocks.of("mean", "speed")
    gauge = loop.gauge
    if gauge.speed_source is SpeedSource.FIXED and gauge.fixed_speed is not None:
        return np.where(np.isnan(measured), gauge.fixed_speed, measured)
    return measured


@dataclass(frozen=True, slots=True)
class Measured:
    """What a row of empty blocks says."""

    start_s: int
    end_s: int
    seconds: float
    turns: float | None
    ln_net: float
    se: float
    flow: float | None
    plc_flow: float | None
    hidden: bool
    temperature: float | None
    speed: float | None


def measure(loop: Loop, rows: Sequence[EmptyRow]) -> Measured | None:
    """Mean of the logarithm of the net rate over whole turns; None where the blocks are too few or move like a load.

    What is left of a load at the begin is cut off, then whole turns are kept counted from the end. ln of a counted mean is
    low by half its relative variance; that is added back. Standard error sqrt(n/t)/N, both corrected for dead time.
    """
    if len(rows) < 2:
        return None
    gauge = loop.gauge
    rate, seconds, flow, plc_flow, temperature, speed = _columns(rows)
    background = true_rate(gauge.background, gauge.dead_time)
    gross = np.asarray(true_rate(rate, gauge.dead_time), np.float64)
    net = gross - background
    if not (np.isfinite(net).all() and net.min() > 0.0 and rate.min() > 0.0):
        return None
    variance = np.square(np.square(gross / rate)) * rate / seconds / np.square(net)
    logs = np.log(net) + 0.5 * variance
    loaded = [row.start_s < rows[0].start_s + FLOW_WAIT * gauge.damping for row in rows]
    flow[loaded] = plc_flow[loaded] = np.nan
    first = _run_out(logs.tolist(), (variance * _damped(loop, float(seconds.mean()))).tolist())
    rows, logs, variance, seconds, speed = rows[first:], logs[first:], variance[first:], seconds[first:], speed[first:]
    if len(rows) < 2 or not _steady(logs, variance * _damped(loop, float(seconds.mean())), all(row.by_flow for row in rows)):
        return None
    weight, turns = _whole_turns(loop, rows, speed)
    share = weight * seconds
    total = float(share.sum())
    begin = int(np.argmax(weight > 0.0))
    means = [_mean(values, share) for values in (flow[first:], plc_flow[first:], temperature[first:], speed)]
    return Measured(
        start_s=rows[begin].start_s + round((1.0 - float(weight[begin])) * (rows[begin].end_s - rows[begin].start_s)),
        end_s=rows[-1].end_s, seconds=total, turns=turns, ln_net=float((share * logs).sum() / total),
        se=math.sqrt(float((np.square(share) * variance).sum())) / total, flow=means[0], plc_flow=means[1],
        hidden=all(row.still for row in rows), temperature=means[2], speed=means[3],
    )  # fmt: skip


def _columns(rows: Sequence[EmptyRow]) -> Floats:
    """Count rate, counted seconds, both flows, temperature and speed of each row, shape (6, n)."""
    numbers = [(row.rate, row.counted_s, row.flow, row.plc_flow, row.temperature, row.speed) for row in rows]
    return np.array(numbers, np.float64).T.copy()


def _damped(loop: Loop, seconds: float) -> float:
    """How much smaller the variance of a block mean is where the rate comes through the damping of the gauge."""
    tau = loop.gauge.damping
    if not loop.gauge.counts_filtered or tau <= 0.0:
        return 1.0
    a = seconds / tau
    return 1.0 + math.expm1(-a) / a


def _run_out(logs: Sequence[float], variance: Sequence[float]) -> int:
    """First row from which on no block differs from the mean of those behind it: before it the belt ran empty."""
    first = len(logs) - 1
    sum_w, sum_y = 1.0 / variance[-1], logs[-1] / variance[-1]
    while first > 0:
        here = logs[first - 1] - sum_y / sum_w
        if abs(here) > RUN_OUT_SIGMA * math.sqrt(variance[first - 1] + 1.0 / sum_w + UNEVEN_ELSE**2):
            break
        first -= 1
        sum_w += 1.0 / variance[first]
        sum_y += logs[first] / variance[first]
    return first


def _steady(logs: Floats, variance: Floats, by_flow: bool) -> bool:
    """Whether the blocks scatter as counting and an uneven belt do (chi-square by Wilson and Hilferty's cube root)."""
    allowed = variance + (UNEVEN_BY_FLOW if by_flow else UNEVEN_ELSE) ** 2
    weight = 1.0 / allowed
    mean = float((weight * logs).sum() / weight.sum())
    freedom = len(logs) - 1
    limit = freedom * (1.0 - 2.0 / (9.0 * freedom) + SCATTER_SIGMA * math.sqrt(2.0 / (9.0 * freedom))) ** 3
    return float((weight * (logs - mean) ** 2).sum()) <= limit


def _whole_turns(loop: Loop, rows: Sequence[EmptyRow], speed: Floats) -> tuple[Floats, float | None]:
    """Weight of each block, 0 to 1, and the turns that they make together; None where they cannot be counted."""
    length = loop.gauge.belt_length
    if length is None or length <= 0.0 or not np.isfinite(speed).all() or speed.min() <= 0.0:
        return np.ones(len(rows)), None
    way = speed * np.array([row.end_s - row.start_s for row in rows], np.float64)
    turns = float(way.sum()) / length
    if turns < 1.0:
        return np.ones(len(rows)), turns
    whole = math.floor(turns + 1e-9)
    behind = np.cumsum(way[::-1])[::-1] - way
    return np.clip((whole * length - behind) / way, 0.0, 1.0), float(whole)


def _mean(values: Floats, weight: Floats) -> float | None:
    good = np.isfinite(values) & (weight > 0.0)
    if good.all():
        return float((values * weight).sum() / weight.sum())
    return float((values[good] * weight[good]).sum() / weight[good].sum()) if good.any() else None
