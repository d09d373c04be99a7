"""A PLC flow that repeats to the bit while the gauge's flow moves: an old value, a forced one, or a loop at its end.

Where the current is read, what stands still before the flow tells. Where it is not, three things still do: whether the flow
kept its last value or jumped to another, whether that value can be a live current at all, and whether the total goes on.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from checks.causes import registry
from checks.finding import UNKNOWN, Alternative, Finding
from checks.result import Link
from checks.tail import Standing, Tail
from checks.telling import clock, told
from checks.tonnes import of_flows
from checks.window import Window

BELOW = 0.1
"""A flow this far below its range [parts of span] is below 2.4 mA: nothing drives the loop."""
ABOVE = 0.035
"""A flow this far above its range [parts of span] is above what an output sends (20.5 mA, NAMUR NE 43)."""
JUMPED = 0.05
"""A value that is this far from the one before it [parts of span] is no value kept."""
STANDS_MA = 0.1
"""A current that moves by less stands, but for its noise [mA]."""
TOTAL_T = 5.0
"""Digits of the total by which its two explanations must differ."""


def finding(window: Window, tail: Tail, reason: str) -> Iterator[Finding]:
    """The finding for a PLC flow that stands still; `reason` is what the reading of it says."""
    since = tail.still("plc_flow")
    causes = candidates(window, tail, since)
    if not causes:
        return
    begin = since.begin if since.seconds else window.end_s
    interval = (begin if since.whole else since.interval[0], begin)
    left = _left_range(window, tail) if causes in (("open-loop",), ("burnout-value",)) else None
    if left is not None:
        begin, interval = left, (left - tail.step, left)
    misstated = of_flows(window.blocks, begin)
    if len(causes) == 1:
        yield told(
            window, Link.SCALING_BLOCK, causes[0], sentence=f"{reason}.", begin=begin, interval=interval, misstated=misstated
        )
        return
    others = tuple(
        Alternative(cause=cause, odds=1.0 / (len(causes) - 1), separated_by=registry()[cause].checks[0]) for cause in causes
    )
    yield told(
        window, Link.SCALING_BLOCK, UNKNOWN, title="PLC flow stands still", begin=begin, interval=interval,
        alternatives=others, misstated=misstated,
        sentence=f"{reason} (since {clock(begin)}). It is an old value, a forced one, or a current that stands still.",
    )  # fmt: skip


def _left_range(window: Window, tail: Tail) -> int | None:
    """When a flow that ended far outside its range fell or rose most on its way there: a filter of the block takes its time until it
    stands."""
    shown, plc = tail.column("plc_flow"), window.loop.plc.range
    span, below = plc.high - plc.low, bool(shown[-1] < plc.low)
    with np.errstate(invalid="ignore"):
        inside = np.flatnonzero(shown > plc.low - BELOW * span) if below else np.flatnonzero(shown < plc.high + ABOVE * span)
        moved = np.diff(shown) * (-1.0 if below else 1.0)
    if not len(inside) or inside[-1] == len(shown) - 1:
        return None
    still = np.flatnonzero(~(moved[: inside[-1]] > 0.0))
    first = int(still[-1]) + 1 if len(still) else 0
    return int(tail.time_s[first + int(np.argmax(moved[first : inside[-1] + 1])) + 1])


def candidates(window: Window, tail: Tail, since: Standing) -> tuple[str, ...]:
    """The causes that remain for a PLC flow that stands still, in the order of the chain; none where the loop carries a current
    that is alive and stands, which the card shows to the digit."""
    current = "ai_raw" if tail.has("ai_raw") else "loop_current" if tail.has("loop_current") else ""
    if current and not tail.swing(current, since.begin) > 0.0:
        alive = current == "ai_raw" and 0.0 < tail.swing("loop_current", since.begin) < STANDS_MA
        return () if alive else ("stale-tag",)
    plc = window.loop.plc.range
    span, value = plc.high - plc.low, float(tail.last("plc_flow", 1)[-1])
    if value < plc.low - BELOW * span and not current:
        return ("open-loop",)
    if value > plc.high + ABOVE * span and not current:
        return ("burnout-value",)
    first = int(np.searchsorted(tail.time_s, since.begin))
    before = tail.column("plc_flow")[max(0, first - 3) : first]
    jumped = bool(len(before)) and abs(float(before[-1]) - value) > JUMPED * span
    at_end = not current and (value <= plc.low + 0.001 * span or value >= plc.high - 0.001 * span)
    ends = (("open-loop",) if value <= plc.low + 0.001 * span else ("burnout-value",)) if at_end else ()
    forced = () if tail.has("plc_forced") else ("forced-value",)
    kept = () if jumped or current else ("output-frozen",)
    stale = () if jumped else ("stale-tag",)
    goes_on = _total_goes_on(window, tail, since, value)
    if goes_on is True and stale:
        return stale
    return (*kept, *ends, *forced, *(() if goes_on is False else stale)) or ("stale-tag",)


def _total_goes_on(window: Window, tail: Tail, since: Standing, value: float) -> bool | None:
    """Whether the PLC total goes on with the gauge's flow (True) or with the value that stands (False); None: it cannot tell."""
    if not tail.has("plc_total"):
        return None
    first = int(np.searchsorted(tail.time_s, since.begin))
    total, flow = tail.column("plc_total")[first:], tail.column("flow")[first:]
    known = np.flatnonzero(np.isfinite(total))
    if len(known) < 2 or not np.isfinite(flow).all():
        return None
    part = slice(int(known[0]), int(known[-1]))
    gained = float(total[known[-1]] - total[known[0]])
    moved = float(flow[part].sum()) * tail.step / 3600.0
    stood = value * float(part.stop - part.start) * tail.step / 3600.0
    digit = window.loop.plc.total.resolution
    if abs(moved - stood) < TOTAL_T * digit:
        return None
    return abs(gained - moved) < abs(gained - stood)
