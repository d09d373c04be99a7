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


NUMBERS = ("logs", "variance", "counted_s", "flow", "plc_flow", "temperature", "speed", "product", "tare")


@dataclass(frozen=True, slots=True)
class EmptyRows:
    """Blocks in order of time, without a gap; shape (n,) each, NaN where a number is not known.

    `numbers` are the rows of NUMBERS, shape (9, n): logarithm of the net count rate [ln(1/s)] (ln of a counted mean is low by half
    its relative variance; that is added back) and its variance from counting, corrected for dead time, seconds counted, both
    flows [t/h], detector temperature [degC], belt speed [m/s], product and rate of the tare [1/s]. `still`: the flow did not move at all; `by_flow`: the flow says
    empty.
    """

    length_s: int
    start_s: NDArray[np.int64]
    numbers: Floats
    still: NDArray[np.bool_]
    by_flow: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.start_s)

    @property
    def end_s(self) -> int:
        """End of the last block [epoch s]."""
        return int(self.start_s[-1]) + self.length_s

    def part(self, rows: slice) -> EmptyRows:
        """Some of them."""
        return EmptyRows(self.length_s, self.start_s[rows], self.numbers[:, rows], self.still[rows], self.by_flow[rows])


def joined(parts: Sequence[EmptyRows]) -> EmptyRows:
    """Parts that follow on each other as one; at least one is needed."""
    if len(parts) == 1:
        return parts[0]
    return EmptyRows(
        parts[0].length_s, np.concatenate([part.start_s for part in parts]), np.concatenate([part.numbers for part in parts], axis=1),
        np.concatenate([part.still for part in parts]), np.concatenate([part.by_flow for part in parts]),
    )  # fmt: skip


@dataclass(slots=True)
class Look:
    """What blocks do not hold and samples do: feeder, shutter, product and tare, by block number; chunks do not matter."""

    feed: tuple[NDArray[np.int64], NDArray[np.int8]] = (np.zeros(0, np.int64), np.zeros(0, np.int8))
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
            self._feeds(number, samples.values["feed_running"])
        self._changes(samples.column("product"), number, "product", self.product)
        for block in self._changes(samples.column("empty_belt_rate"), number, "empty_belt_rate", self.tare):
            self.tared.add(block)
        closed = samples.column("shutter_closed")
        moved: dict[int, float] = {}
        for block in self._changes(np.where(np.isnan(closed), np.nan, np.round(closed)), number, "shutter_closed", moved):
            self.shutter[block] = True

    def _feeds(self, number: NDArray[np.int64], feed: Floats) -> None:
        first = np.flatnonzero(np.diff(number, prepend=np.int64(-1)))
        seen = np.maximum.reduceat(np.where(np.isnan(feed), -1, feed > 0.5).astype(np.int8), first)
        numbers, known = self.feed
        if len(numbers) and numbers[-1] == number[0]:  # a block of which the samples came in two pieces
            seen[0] = max(seen[0], known[-1])
            numbers, known = numbers[:-1], known[:-1]
        self.feed = np.concatenate([numbers, number[first]]), np.concatenate([known, seen])

    def fed(self, numbers: NDArray[np.int64]) -> NDArray[np.int8]:
        """Whether the feeder was on in each block: -1 unknown, 0 off, 1 on, shape (B,)."""
        known, seen = self.feed
        place = np.minimum(np.searchsorted(known, numbers), max(len(known) - 1, 0))
        return np.where(known[place] == numbers, seen[place], np.int8(-1)) if len(known) else np.full(len(numbers), -1, np.int8)

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
        kept = int(np.searchsorted(self.feed[0], number))
        self.feed = self.feed[0][kept:], self.feed[1][kept:]
        for table in (self.shutter, self.product, self.tare):
            for old in [key for key in table if key < number]:
                del table[old]
        self.tared = {key for key in self.tared if key >= number}


class Looked:
    """Closed blocks as the empties ledger looks at them, in order of time.

    Shape (B,) each: `running`, `loaded` [s], `error` [t/h, NaN where it is not known], `stands`, `by_flow`, `usable` (the belt ran all
    through, settled, no work on the loop, counts good), `feed_on` (-1 unknown, 0 off, 1 on), `tared`, `shutter` (it moved); `rows` are the same blocks with their numbers.
    """

    def __init__(self, loop: Loop, blocks: Blocks, look: Look) -> None:
        length, covered = blocks.length_s, blocks.covered_s
        self.start_s, self.length_s = blocks.start_s, length
        numbers = blocks.start_s // length
        state = dict(zip(STATES, blocks.state_s.T, strict=True))
        self.running, self.loaded = state["loaded"] + state["empty"], state["loaded"]
        out = np.sum([state[name] for name in STATES_OUT], axis=0)
        rate, counted = blocks.of("mean", "count_rate"), blocks.of("n", "count_rate") * blocks.step_s
        still_counts = (blocks.of("n", "count_rate") >= 5.0) & (
            blocks.of("minimum", "count_rate") == blocks.of("maximum", "count_rate")
        )
        self.usable = (covered >= length) & (self.running >= covered) & (out == 0.0) & (counted >= 0.9 * length)
        self.usable &= ~still_counts
        flow = blocks.of("mean", "flow")
        error = flow - blocks.of("mean", EXPECTED)
        settled = (state["loaded"] >= covered) & (out == 0.0) & (blocks.of("n", EXPECTED) * blocks.step_s >= covered)
        settled &= (blocks.of("maximum", "flow") < AT_TOP * loop.gauge.range.high) & np.isfinite(error)
        self.error = np.where(settled, error, np.nan)
        self.stands, self.by_flow = (state["stopped"] >= 0.5 * covered) & (covered > 0.0), state["empty"] >= covered
        self.feed_on = look.fed(numbers) if "feed_running" in loop.tags else np.full(len(blocks), -1, np.int8)
        self.tared, self.shutter = np.isin(numbers, list(look.tared)), np.isin(numbers, list(look.shutter))
        self.rows = EmptyRows(
            length, blocks.start_s,
            np.stack([
                *_net(loop, rate, counted), counted, flow, blocks.of("mean", "plc_flow"), blocks.of("mean", "detector_temperature"),
                speeds(loop, blocks), _held(numbers, look.product, look.last, "product:held"),
                _held(numbers, look.tare, look.last, "tare:held"),
            ]),
            (blocks.of("n", "flow") > 0.0) & (blocks.of("m2", "flow") == 0.0) & (flow == 0.0), self.by_flow,
        )  # fmt: skip
        look.forget(int(numbers[-1]) + 1)

    def __len__(self) -> int:
        return len(self.start_s)


def _net(loop: Loop, rate: Floats, counted_s: Floats) -> tuple[Floats, Floats]:
    """Logarithm of the net rate and its variance from counting, shape (B,); NaN where no net rate is left."""
    gauge = loop.gauge
    background = true_rate(gauge.background, gauge.dead_time)
    with np.errstate(divide="ignore", invalid="ignore"):
        gross = np.asarray(true_rate(rate, gauge.dead_time), np.float64)
        net = np.where(rate > 0.0, gross - background, np.nan)
        net = np.where(net > 0.0, net, np.nan)
        variance = np.square(np.square(gross / rate)) * rate / counted_s / np.square(net)
    return np.log(net) + 0.5 * variance, variance


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


def measure(loop: Loop, rows: EmptyRows) -> Measured | None:
    """Mean of the logarithm of the net rate over whole turns; None where the blocks are too few or move like a load.

    What is left of a load at the begin is cut off, then whole turns are kept counted from the end. Standard error sqrt(n/t)/N,
    both corrected for dead time.
    """
    if len(rows) < 2 or not np.isfinite(rows.numbers[0]).all():
        return None
    damped = _damped(loop, float(rows.numbers[2].mean()))
    first = _run_out(rows.numbers[0].tolist(), (rows.numbers[1] * damped).tolist())
    shown = rows.start_s[first:] >= rows.start_s[0] + FLOW_WAIT * loop.gauge.damping
    rows = rows.part(slice(first, None))
    if len(rows) < 2:
        return None
    logs, variance, seconds, flow, plc_flow, temperature, speed = rows.numbers[:7]
    if not _steady(logs, variance * damped, bool(rows.by_flow.all())):
        return None
    weight, turns = _whole_turns(loop, rows.length_s, speed)
    share = weight * seconds
    total = float(share.sum())
    begin = int(np.argmax(weight > 0.0))
    return Measured(
        start_s=int(rows.start_s[begin]) + round((1.0 - float(weight[begin])) * rows.length_s),
        end_s=rows.end_s, seconds=total, turns=turns, ln_net=float(share @ logs) / total,
        se=math.sqrt(float((share * share) @ variance)) / total, flow=_mean(flow, share * shown), plc_flow=_mean(plc_flow, share * shown),
        hidden=bool(rows.still.all()), temperature=_mean(temperature, share), speed=_mean(speed, share),
    )  # fmt: skip


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


def _whole_turns(loop: Loop, length_s: int, speed: Floats) -> tuple[Floats, float | None]:
    """Weight of each block, 0 to 1, and the turns that they make together; None where they cannot be counted."""
    length = loop.gauge.belt_length
    if length is None or length <= 0.0 or not float(speed.min()) > 0.0 or math.isinf(float(speed.max())):
        return np.ones(len(speed)), None
    way = speed * length_s
    turns = float(way.sum()) / length
    if turns < 1.0:
        return np.ones(len(speed)), turns
    whole = math.floor(turns + 1e-9)
    behind = np.cumsum(way[::-1])[::-1] - way
    return np.clip((whole * length - behind) / way, 0.0, 1.0), float(whole)


def _mean(values: Floats, weight: Floats) -> float | None:
    """Weighted mean of what is known; None where nothing is."""
    total = float(weight @ values)
    if math.isfinite(total):
        size = float(weight.sum())
        return total / size if size > 0.0 else None
    good = np.isfinite(values) & (weight > 0.0)
    return float(weight[good] @ values[good]) / float(weight[good].sum()) if good.any() else None
