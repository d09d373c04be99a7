"""Findings of the totals: which mechanism makes a total gain more or less than its flow."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from checks import onset
from checks.blocks import Blocks
from checks.finding import UNKNOWN, Alternative, Finding
from checks.hypotheses import MOST_ODDS
from checks.result import CheckResult, Link, Verdict
from checks.telling import clock, told
from checks.tonnes import Misstated
from checks.totals import HORIZONS_S, Balance, balance, usable_rows
from checks.window import Window

DISCONTINUITY_S = 3600
ROW_DIGITS, LEAST_KEPT = 2.0, 8
"""Digits that must pass from row to row where the begin of a difference is sought, and the fewest such rows."""
CONSTANTS: tuple[tuple[str, float], ...] = (
    ("counted-twice", 2.0), ("ton-unit", 1.10231), ("ton-unit", 0.98421), ("ton-unit", 0.90718), ("ton-unit", 1.01605),
    ("time-base", 60.0), ("time-base", 1 / 60.0), ("time-base", 3.6), ("time-base", 1 / 3.6), ("time-base", 1000.0), ("time-base", 0.001),
)  # fmt: skip
CLOSE = 0.001
"""A ratio is a constant of the trade where it lies at least this close to it [parts]; the ton and a timer that loses 2 % are
0.4 % apart, so near one a single standard error must do."""
ALONE = 0.015
"""The same for a constant that nothing else lies near: the block in which it began takes part in both lines [parts]."""
WIDEST = 0.05
"""However badly a ratio is known, a constant is not named from further off [parts]."""
SHARP = 0.0020
"""Standard error a ratio near one needs before a ton can be told from a slow timer [parts]."""
LUMPY, LUMPY_ROWS = 0.5, 60
"""What all-or-nothing leaves, over what proportion leaves."""
NEWEST, UNEVEN = 6, 0.2
"""Rows of the newest minute, and how far its ratio may lie from that of all since the onset [parts]."""
SINGLE_BACK_S = (3600, 1200, 600)
"""Rounding loses and gains by turns, so that no single onset fits it: these stretches are tried too [s]."""
SINGLE_S = 60
SURE_NATS, MOST_NATS = 3.0, math.log(MOST_ODDS)
"""Log odds from which a gate or a timer is named (20:1), and the most that is stated."""
TASKS_S = (0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0)
"""Periods of a task that adds to a total [s]."""
LEAST_GATED = 0.1
"""Odds of a gate that nothing speaks against."""
SINGLE_BETTER = 0.4
"""What single precision leaves, over what proportion leaves."""
SINGLE_FROM_T = 4096.0
GAUGE_CLOSE = 0.02
"""A PLC total this close to the flow of the gauge [parts] adds that up."""


def findings(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """One finding for each total that differs."""
    yield from _lost(window)
    for result in results:
        if result.check == "totals" and result.verdict is Verdict.FAULT and not _follows_gauge(window, result):
            yield _finding(window, result)


def _follows_gauge(window: Window, result: CheckResult) -> bool:
    """Whether the PLC total adds up the flow of the gauge: then the shown PLC flow is off, not the total."""
    if result.facts.get("column") != 1.0:
        return False
    blocks = window.blocks
    rows = usable_rows(blocks, 1) & (blocks.start_s >= int(result.facts.get("begin_s", 0.0))) & np.isfinite(blocks.own_t)
    rows &= blocks.measured_s >= blocks.covered_s
    gained, passed = float(blocks.increment_t[rows, 1].sum()), float(blocks.own_t[rows].sum())
    demanded = float(blocks.plc_own_t[rows].sum())
    slack = GAUGE_CLOSE * abs(passed) + 3.0 * window.loop.plc.total.resolution
    return abs(gained - passed) < min(slack, 0.3 * abs(gained - demanded))


def _lost(window: Window) -> Iterator[Finding]:
    """A total that jumped without a rollover in the last hour."""
    jumps = [
        entry
        for entry in window.ledger
        if entry.kind == "total-reset" and entry.role == "plc_total" and entry.time_s > window.end_s - DISCONTINUITY_S
    ]
    if jumps:
        last = jumps[-1]
        old, new = last.old or 0.0, last.new or 0.0
        yield told(
            window, Link.TOTALS, "total-discontinuity", begin=last.time_s, interval=(last.time_s - 6, last.time_s),
            alternatives=(
                Alternative(cause="controller-switch", odds=0.35, separated_by="role log of the controllers at that second"),
            ),
            sentence=f"The PLC total jumped from {old:.1f} t to {new:.1f} t at {clock(last.time_s)}, which is no rollover.",
        )  # fmt: skip


def _finding(window: Window, result: CheckResult) -> Finding:
    column = int(result.facts.get("column", 1.0))
    begin, interval = _onset(window, column)
    totalizer = (window.loop.gauge if column == 0 else window.loop.plc).total
    rows = usable_rows(window.blocks, column) & (window.blocks.start_s >= begin)
    full = max(window.loop.gauge.range.high, window.loop.plc.range.high)
    found = balance(window.blocks, column, totalizer, rows, full)

    def part(some: Blocks) -> tuple[float, float]:
        here = balance(some, column, totalizer, rows[np.searchsorted(window.blocks.start_s, some.start_s)], full)
        return here.gained - here.demanded, here.likely

    cause, alternatives, gate = (UNKNOWN, (), ()) if column == 0 else _cause(window, found, begin)
    role = "gauge total" if column == 0 else "PLC total"
    excess = found.gained - found.demanded
    hours = max(float(window.blocks.covered_s[rows].sum()) / 3600.0, 1e-6)
    late = abs(excess / hours) * max(begin - interval[0], interval[1] - begin) / 3600.0
    words = f"gains {found.per_cent:+.2f} % against its own flow" if found.demanded > 0.0 else "moves without its flow"
    return told(
        window, Link.TOTALS, cause, begin=begin, interval=interval, alternatives=alternatives, evidence=result.evidence,
        odds=1.0 / sum(item.odds for item in alternatives) if alternatives and cause != UNKNOWN else None,
        title="" if cause != UNKNOWN else f"{role} differs", gate=gate, check="totals",
        misstated=Misstated(tonnes=excess, uncertainty=math.hypot(found.likely, late), rate_t_h=excess / hours, part=part),
        sentence=f"The {role} {words} since {clock(begin)}: {found.gained:.1f} t against {found.demanded:.1f} t.",
    )  # fmt: skip


Named = tuple[str, tuple[Alternative, ...], tuple[str, ...]]


def _cause(window: Window, found: Balance, begin: int) -> Named:
    """The mechanism, what remains beside it, and what is still needed; by the tonnes since the onset, split by state."""
    if any(_single(window, start) for start in (begin, *(window.end_s - back for back in SINGLE_BACK_S))):
        return "total-precision", (
            Alternative(cause="total-time-base", odds=0.1, separated_by="data type of the total: single precision fails at powers of two"),
        ), ()  # fmt: skip
    if not _even(window, begin):
        return UNKNOWN, (), ("need some more minutes over the belt to see since when and how much",)
    excess = found.gained - found.demanded
    parts = {state: gained - demanded for state, (gained, demanded) in found.by_state.items()}
    idle = parts["empty"] + parts["stopped"]
    if abs(idle) > 0.6 * abs(excess) and abs(idle) > max(abs(parts["loaded"]), found.uncertainty):
        return "total-gating", (), ()
    if found.demanded <= 0.0:
        return UNKNOWN, (), ()
    ratio, spread = found.gained / found.demanded, 0.5 * found.uncertainty / found.demanded
    if ratio < 1.5 and _lumpy(window, begin):
        return "total-gating", (
            Alternative(cause="total-time-base", odds=0.2, separated_by="the conditions under which each total counts"),
        ), ()  # fmt: skip
    near_one = 0.9 < ratio < 1.1
    nats = _by_feeder(window, begin) if near_one else None
    if nats is not None and nats > SURE_NATS:
        return _slow_or_gated(window, begin, excess)
    beside = _perhaps_gated(window, nats, excess) if near_one else ()
    if near_one and spread > SHARP:
        tonnes = found.demanded * (spread / SHARP - 1.0)
        return UNKNOWN, (
            Alternative(cause="total-time-base", odds=3.0, separated_by="the ratio to 0.1 %"),
            Alternative(cause="ton-unit", odds=1.0 / 3.0, separated_by="the unit of the total; the ratio to 0.1 %"), *beside,
        ), (f"need {max(tonnes, 1.0):.0f} more tonnes over the belt to tell a slow timer from another ton",)  # fmt: skip
    for cause, constant in CONSTANTS:
        small = 0.9 < constant < 1.2
        tolerance = max(CLOSE, min(spread, SHARP)) if small else max(ALONE, min(3.0 * spread, WIDEST))
        if abs(ratio - constant) <= tolerance * constant:
            return cause, beside, ()
    if ratio < 0.2 and _may_stall(window, begin):
        return UNKNOWN, (
            Alternative(cause="total-precision", odds=1.0, separated_by="data type of the total, and the size it has reached"),
            Alternative(cause="total-gating", odds=1.0, separated_by="the conditions under which the total counts"),
        ), ()  # fmt: skip
    if ratio < 0.2:
        return "total-gating", (), ()
    if 0.9 < ratio < 1.1:
        return _slow_or_gated(window, begin, excess)
    return UNKNOWN, (), ()


def _perhaps_gated(window: Window, nats: float | None, excess: float) -> tuple[Alternative, ...]:
    """A gate beside a ratio near one: it only loses, and what was lost while the feeder stood speaks for it or against it."""
    if excess >= 0.0 or (nats is not None and nats < -SURE_NATS):
        return ()
    odds = (0.1 if "feed_running" in window.loop.tags else 0.5) if nats is None else min(math.exp(nats), 1.0 / LEAST_GATED)
    return (
        Alternative(
            cause="total-gating", odds=max(odds, LEAST_GATED), separated_by="the conditions under which each total counts"
        ),
    )


def _may_stall(window: Window, begin: int) -> bool:
    """Whether a sum in single precision would take no step of the flow at all: its digit is twice the step of a task."""
    samples = window.samples
    first = int(np.searchsorted(samples.time_s, begin))
    total, flow = samples.column("plc_total")[first:], samples.column("plc_flow")[first:]
    last, flow = total[np.isfinite(total)], flow[np.isfinite(flow)]
    if not len(last) or not len(flow):
        return False
    return bool(float(np.spacing(np.float32(last[-1]))) > 2.0 * float(np.quantile(flow, 0.9)) * TASKS_S[0] / 3600.0)


def _slow_or_gated(window: Window, begin: int, excess: float) -> Named:
    """A timer loses with the flow, a gate where its condition is off: what passed while the feeder stood tells them apart."""
    gated = Alternative(cause="total-gating", odds=0.1, separated_by="the conditions under which each total counts")
    nats = _by_feeder(window, begin)
    if nats is None:
        if excess < 0.0 and "feed_running" not in window.loop.tags:
            gated = replace(gated, odds=0.5, separated_by="a tag for the feeder; the conditions under which each total counts")
        return "total-time-base", (gated,), ()
    odds = float(np.exp(np.clip(nats, -MOST_NATS, MOST_NATS)))
    slow = Alternative(cause="total-time-base", odds=1.0 / odds, separated_by="an hour of steady load")
    gated = replace(gated, odds=odds)
    if abs(nats) < SURE_NATS:
        return UNKNOWN, (slow, gated), ("need some more stops of the feeder to tell a slow timer from a gate",)
    return ("total-gating", (slow,), ()) if nats > 0.0 else ("total-time-base", (gated,), ())


def _by_feeder(window: Window, begin: int) -> float | None:
    """Log odds of a gate on the feeder against a timer: which of the two explains what each stretch with and without feed lost.

    None where the feeder is not read or did not change since the begin (two hours at most).
    """
    samples = window.samples
    first = int(np.searchsorted(samples.time_s, begin))
    columns = [samples.column(role)[first:] for role in ("feed_running", "plc_flow", "plc_total")]
    known = np.isfinite(np.stack(columns)).all(axis=0)
    feed, flow, total = (column[known] for column in columns)
    edges = np.flatnonzero(np.diff(feed > 0.5)) + 1
    if len(edges) < 2:
        return None
    cuts = np.concatenate([[0], edges, [len(feed) - 1]])
    passed = np.diff(np.concatenate([[0.0], np.cumsum(flow)])[cuts]) * samples.step_s / 3600.0
    lost = np.diff(total[cuts]) - passed
    fed = feed[cuts[:-1]] > 0.5
    sigma = window.loop.plc.total.resolution * 0.41 + float(np.abs(flow).max(initial=0.0)) * samples.step_s / 3600.0
    share = float(lost.sum() / passed.sum()) if passed.sum() > 0.0 else 0.0
    timer, gate = lost - share * passed, lost + np.where(fed, 0.0, passed)
    return float(((timer**2).sum() - (gate**2).sum()) / (2.0 * sigma**2))


def _even(window: Window, begin: int) -> bool:
    """Whether the newest minute loses or gains at the rate of all since the onset, as far as its digits tell."""
    blocks = window.blocks
    rows = np.flatnonzero(usable_rows(blocks, 1) & (blocks.start_s >= begin))
    own, gained = blocks.plc_own_t[rows], blocks.increment_t[rows, 1]
    demanded, newest = float(own.sum()), float(own[-NEWEST:].sum())
    if demanded <= 0.0 or newest <= 0.0:
        return True
    digits = 2.0 * window.loop.plc.total.resolution / newest
    return abs(float(gained[-NEWEST:].sum()) / newest - float(gained.sum()) / demanded) < digits + UNEVEN


def _lumpy(window: Window, begin: int) -> bool:
    """Whether the PLC total takes each block as a whole or not at all, as gating does and a slow timer cannot."""
    blocks = window.blocks
    rows = usable_rows(blocks, 1) & (blocks.start_s >= begin)
    own, excess = blocks.plc_own_t[rows], (blocks.increment_t[:, 1] - blocks.plc_own_t)[rows]
    size = float((own * own).sum())
    if rows.sum() < LUMPY_ROWS or size <= 0.0:
        return False
    proportional = excess - float((own * excess).sum()) / size * own
    whole = np.minimum(excess**2, (excess + own) ** 2)
    return bool(whole.sum() < LUMPY * (proportional**2).sum())


def _single(window: Window, begin: int) -> bool:
    """Whether the PLC total moves as a sum in single precision would: each step rounded to a digit of its own size.

    The step of a sum of size M is a power of two (IEEE 754 single precision, 24 bits); the period of the task is tried.
    """
    samples = window.samples
    first = int(np.searchsorted(samples.time_s, begin))
    flow, total = samples.column("plc_flow")[first:], samples.column("plc_total")[first:]
    per = int(SINGLE_S // samples.step_s)
    rows = len(total) // per
    last = total[np.isfinite(total)]
    if rows < 4 or not len(last) or float(last[-1]) < SINGLE_FROM_T:
        return False
    digit = float(np.spacing(np.float32(last[-1])))
    flow = np.nan_to_num(flow[: rows * per], nan=0.0)
    seen = np.diff(total[: rows * per : per])
    known = np.isfinite(seen)
    plain = (flow * samples.step_s / 3600.0).reshape(rows, per).sum(axis=1)[:-1]
    size = float((plain[known] ** 2).sum())
    if size <= 0.0:
        return False
    share = float((plain * seen)[known].sum()) / size
    least = float(known.sum()) * window.loop.plc.total.resolution**2 / 6.0
    proportional = float(((seen - share * plain)[known] ** 2).sum())
    for task_s in TASKS_S:
        steps = np.round(flow * task_s / 3600.0 / digit) * digit * samples.step_s / task_s
        rounded = steps.reshape(rows, per).sum(axis=1)[:-1]
        if np.abs(rounded - plain).max() < 2.0 * window.loop.plc.total.resolution:
            continue
        if float(((seen - rounded)[known] ** 2).sum()) + least < SINGLE_BETTER * (proportional + least):
            return True
    return False


def _diluted_from(window: Window, column: int, usable: NDArray[np.bool_]) -> int:
    """Begin of the shortest stretch over which the difference is diluted by what was right before it: the onset lies in it."""
    blocks, loop = window.blocks, window.loop
    totalizer = (loop.gauge if column == 0 else loop.plc).total
    full = max(loop.gauge.range.high, loop.plc.range.high)
    strongest: Balance | None = None
    for horizon in (*HORIZONS_S, int(blocks.start_s[-1] - blocks.start_s[0]) + blocks.length_s):
        found = balance(blocks, column, totalizer, usable & (blocks.start_s >= window.end_s - horizon), full)
        if found.demanded < loop.limits.totals.least_tonnes:
            continue
        if strongest is not None and abs(found.per_cent) + found.share < abs(strongest.per_cent) - strongest.share:
            return int(window.end_s - horizon)
        if strongest is None or abs(found.per_cent) - found.share > abs(strongest.per_cent) - strongest.share:
            strongest = found
    return int(blocks.start_s[0])


def _onset(window: Window, column: int) -> tuple[int, tuple[int, int]]:
    """The moment from which the total parts from its flow: the best kink in the summed difference of block rows."""
    blocks = window.blocks
    usable = usable_rows(blocks, column)
    rows = np.flatnonzero(usable & (blocks.start_s >= _diluted_from(window, column, usable)))
    own = (blocks.own_t if column == 0 else blocks.plc_own_t)[rows]
    if len(rows) < 12:
        return window.end_s - 600, (window.end_s - 3600, window.end_s)
    drift = np.cumsum(blocks.increment_t[rows, column] - own)
    digit = (window.loop.gauge if column == 0 else window.loop.plc).total.resolution
    passed = np.cumsum(np.maximum(own, 0.0))
    # while nothing passes a total shows the same digit again and again, which tells nothing new: one row for some digits
    kept = np.flatnonzero(np.diff(np.floor(passed / (ROW_DIGITS * digit)), prepend=-1.0) > 0.0)
    start, length = blocks.start_s[rows], blocks.length_s
    if len(kept) < LEAST_KEPT:
        return int(start[0]), (int(start[0]), int(start[-1]) + length)
    best, first, last = onset.kink(passed[kept], drift[kept], noise=0.3 * digit)
    until = [*kept[1:].tolist(), len(rows) - 1]
    return int(start[kept[best]]) + length, (int(start[kept[first]]), int(start[until[last]]) + length)
