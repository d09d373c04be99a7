"""The current loop at its ends: a wire break that the card answers with a value, an open loop, a current that stands still."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from checks.causes import registry
from checks.finding import UNKNOWN, Alternative, Finding
from checks.result import CheckResult, Link, Verdict
from checks.signal import LIVE_ZERO_MA, SPAN_MA, current_of, current_of_raw, limited
from checks.tail import Standing, Tail
from checks.telling import clock, since_words, told, upper
from checks.tonnes import of_flows
from checks.window import Window

Floats = NDArray[np.float64]
Seen = Mapping[tuple[str, Link], CheckResult]

BURNOUT, UNSIGNED = 32700.0, 32768.0
"""Codes of a signed 16-bit card from which on it shows a wire break, and the first that it cannot show."""
NO_CURRENT_MA = 1.0
"""A wire-break value lies at least this far from what the gauge's flow would send [mA]; the noise of a second is less."""
MOST_MA = 20.6
"""Above this no output sends (NAMUR NE 43 ends measuring at 20.5 mA)."""
STILL_MA = 0.02
JUMPED_MA = 0.3
"""A current that stands this far from what it was a moment before was set, not held [mA]."""


def findings(window: Window, tail: Tail, seen: Seen) -> Iterator[Finding]:
    """At most one finding, at the link where the current is read."""
    raws = np.nan_to_num(tail.column("ai_raw"), nan=0.0)
    raw = tail.standing((np.abs(raws) >= BURNOUT) & (raws < UNSIGNED) & _against_flow(window, tail, raws))
    if raw.seconds >= 3 and not _carried(window, tail, raws):
        yield _burnout(window, tail, raw, float(raws[-1]))
        return
    result = seen.get(("current", Link.CURRENT)) or seen.get(("current", Link.INPUT_CARD))
    if result is None or result.verdict is not Verdict.FAULT:
        return
    facts = result.facts
    if facts.get("still") == 1.0:
        yield _still(window, tail, result)
    elif facts.get("open") == 1.0 or (facts.get("failure_low") == 1.0 and _demands(window, tail)):
        dead = tail.standing(_milliamps(window, tail) <= window.loop.limits.current.failure_low)
        yield _at(window, result.link, ("open-loop",), dead, f"Since {clock(dead.begin)} {result.reason}.", result)
    elif facts.get("failure_high") == 1.0:
        begin = window.end_s - 10
        yield told(
            window, result.link, UNKNOWN, title="failure current", begin=begin, interval=(begin, window.end_s),
            sentence=f"{result.reason[:1].upper()}{result.reason[1:]}.", evidence=result.evidence,
        )  # fmt: skip


def _milliamps(window: Window, tail: Tail) -> Floats:
    """The current as it is read [mA]: at the loop, else at the card."""
    if tail.has("loop_current"):
        return tail.column("loop_current")
    return np.asarray(current_of_raw(tail.column("ai_raw"), window.loop.plc.raw_span))


def _burnout(window: Window, tail: Tail, since: Standing, raw: float) -> Finding:
    """A code that no flow explains; on a card whose span ends there it is also what 20 mA reads as."""
    words = f"The card has shown its wire-break value {since_words(since)}; the flow behind it has no meaning."
    causes: tuple[str, ...] = ("burnout-value",)
    if 0.0 < current_of_raw(raw, window.loop.plc.raw_span) < MOST_MA and not tail.has("loop_current"):
        causes += ("output-frozen",) if tail.has("gauge_output_mode") else ("mode-left-on", "output-frozen")
        words = f"The card has shown the end of its span {since_words(since)}: a wire break, or a current of 20 mA that is set."
    return _at(window, Link.INPUT_CARD, causes, since, words, None)


def _still(window: Window, tail: Tail, result: CheckResult) -> Finding:
    """A current that stands: held where it was, or set to another value; at the lower end of a card also none at all."""
    span = window.loop.plc.raw_span
    measured = tail.has("loop_current")
    digits = max(1.5, 1.15 * STILL_MA / SPAN_MA * abs(span.high - span.low))
    since = tail.still("loop_current", STILL_MA) if measured else tail.still("ai_raw", digits)
    current = _milliamps(window, tail)
    first = int(np.searchsorted(tail.time_s, since.begin))
    before = current[max(0, first - 3) : first]
    jumped = bool(len(before)) and abs(float(before[0]) - float(current[-1])) > JUMPED_MA
    causes: tuple[str, ...] = ("output-frozen",)
    if jumped and not tail.has("gauge_output_mode"):
        causes = ("mode-left-on", "output-frozen")
    if jumped and not measured and abs(float(current[-1]) - LIVE_ZERO_MA) < STILL_MA:
        causes = ("open-loop", *causes)
    return _at(window, result.link, causes, since, f"{upper(since_words(since))} {result.reason}.", result)


def _carried(window: Window, tail: Tail, raws: Floats) -> bool:
    """Whether the loop really carries the current that the card shows."""
    measured = tail.last("loop_current", 3)
    shown = float(current_of_raw(float(raws[-1]), window.loop.plc.raw_span)) if len(raws) else np.nan
    return bool(len(measured)) and abs(float(np.median(measured)) - shown) < NO_CURRENT_MA


def _demands(window: Window, tail: Tail) -> bool:
    """Whether the flow demands more than a failure signal: on an empty belt a leak or an offset shows less than 3.6 mA too."""
    flow = tail.last("flow", 10)
    needed = float(np.median(current_of(flow, window.loop.gauge.range))) if len(flow) else np.nan
    return not needed < window.loop.limits.current.failure_low + 2.0 * NO_CURRENT_MA


def _against_flow(window: Window, tail: Tail, raws: Floats) -> NDArray[np.bool_]:
    """Where a raw count is no current that the gauge's flow could have sent: a card may end its span at 32,767."""
    sent = limited(np.asarray(current_of(tail.column("flow"), window.loop.gauge.range)))
    shown = np.asarray(current_of_raw(raws, window.loop.plc.raw_span))
    return np.asarray(~(np.abs(shown - sent) <= NO_CURRENT_MA))


def _at(
    window: Window, link: Link, causes: tuple[str, ...], since: Standing, sentence: str, result: CheckResult | None
) -> Finding:
    """One cause is named; several that nothing parts are told with equal odds."""
    begin = since.begin if since.seconds else window.end_s
    alone = len(causes) == 1
    return told(
        window, link, causes[0] if alone else UNKNOWN, title="" if alone else "current stands still", sentence=sentence,
        begin=begin, interval=(begin if since.whole else since.interval[0], begin),
        evidence=result.evidence if result is not None else (), misstated=of_flows(window.blocks, begin),
        alternatives=() if alone else tuple(
            Alternative(cause=cause, odds=1.0 / (len(causes) - 1), separated_by=registry()[cause].checks[0]) for cause in causes
        ),
    )  # fmt: skip
