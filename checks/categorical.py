"""Causes that need no odds: a bit, a level, a contradiction says it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from checks import loop_findings, stale_flow
from checks.finding import UNKNOWN, Finding
from checks.loop_findings import BURNOUT, UNSIGNED
from checks.result import CheckResult, Link, Verdict
from checks.tail import Standing, Tail
from checks.telling import clock, since_words, told, upper
from checks.tonnes import of_flows
from checks.window import Window

MODE_AFTER_S = 30
FORCE_AFTER_S = 20
SETTLED = 10.0
"""Time constants after which a damped count rate rests on its last digit."""
SIDES = ("gauge", "PLC", "drive")
TOGETHER_S, ONE_SIDE_S = 40, 600
"""No live current and PLC flow repeat to the bit together for so long [s]; the longer time where a limit could hold them."""
FOLLOWS_S = 10.0
"""What the flow did in the last seconds cannot have reached the far end [s], beside its declared filter."""
MOVED = 0.02
"""Move of the flow [parts of span] that must have been seen meanwhile."""

Seen = dict[tuple[str, Link], CheckResult]


def findings(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """The categorical findings of a loop in the order of reasoning."""
    tail = Tail(window)
    seen: Seen = {(result.check, result.link): result for result in results}
    for look in (_modes, _silence, _gateway, _repeats, _speed, _counts, _temperature, _loop, _stale):
        yield from look(window, tail, seen, results)


Look = Callable[[Window, Tail, Seen, Sequence[CheckResult]], Iterator[Finding]]


def _modes(window: Window, tail: Tail, seen: Seen, results: Sequence[CheckResult]) -> Iterator[Finding]:
    del seen, results
    mode = tail.away("gauge_output_mode")
    if mode.seconds >= MODE_AFTER_S and not tail.bit("maintenance").seconds and not tail.bit("calibrating").seconds:
        yield _at(
            window, Link.GAUGE_OUTPUT, "mode-left-on", mode,
            f"The current output of the gauge has been in a test mode since {clock(mode.begin)}: what the PLC reads is not the flow.",
        )  # fmt: skip
    forced = tail.bit("plc_forced")
    block = tail.away("plc_block_mode")
    longest = forced if forced.seconds >= block.seconds else block
    if longest.seconds >= FORCE_AFTER_S:
        what = "forced or substituted" if longest is forced else "not in automatic"
        yield _at(
            window, Link.SCALING_BLOCK, "forced-value", longest,
            f"The PLC flow has been {what} since {clock(longest.begin)}.", booked=True,
        )  # fmt: skip


def _silence(window: Window, tail: Tail, seen: Seen, results: Sequence[CheckResult]) -> Iterator[Finding]:
    del seen, tail
    for result in results:
        if result.check != "freshness" or result.verdict is not Verdict.FAULT or result.facts.get("stale") == 1.0:
            continue
        side = SIDES[int(result.facts.get("side", 0.0))]
        begin = window.end_s - int(result.facts.get("silent_s", 0.0))
        yield told(
            window, Link.COMMUNICATION, UNKNOWN, title=f"{side} is not read", begin=begin, interval=(begin - 1, begin),
            sentence=f"{upper(result.reason)}. While it lasts nothing is verified there.",
            evidence=result.evidence, advice=(f"look at the connection to the {side}: power, network, address, other masters",),
        )  # fmt: skip


def _stale(window: Window, tail: Tail, seen: Seen, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """A repeated value is stale only where nothing before it stands still too."""
    del seen
    for result in results:
        if result.check == "freshness" and result.verdict is Verdict.FAULT and result.facts.get("stale") == 1.0:
            if SIDES[int(result.facts.get("side", 0.0))] == "PLC":
                yield from stale_flow.finding(window, tail, upper(result.reason))
            else:
                still = tail.still("flow")
                yield _at(window, Link.SCALING_BLOCK, "stale-tag", still, f"{upper(result.reason)}.", booked=True)


def _speed(window: Window, tail: Tail, seen: Seen, results: Sequence[CheckResult]) -> Iterator[Finding]:
    del results
    result = seen.get(("speed", Link.DRIVE))
    if result is None or result.verdict is not Verdict.FAULT:
        return
    stands = np.abs(tail.column("speed")) < 0.05
    runs = np.nan_to_num(tail.column("drive_running"), nan=-1.0)
    if result.facts.get("lost") == 1.0:
        since = tail.standing(stands & (runs > 0.5))
        yield _at(
            window, Link.DRIVE, "tach-lost", since, f"{upper(since_words(since))} {result.reason}: the flow is far too low."
        )
    elif result.facts.get("held") == 1.0:
        since = tail.standing(~stands & (runs > -0.5) & (runs < 0.5))
        yield _at(
            window,
            Link.DRIVE,
            "speed-held",
            since,
            f"{upper(since_words(since))} {result.reason}: tonnes are booked that never moved.",
        )


def _repeats(window: Window, tail: Tail, seen: Seen, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """Current and PLC flow repeat to the bit together while the gauge's flow moves: old values are read."""
    del seen, results
    roles = [role for role in ("ai_raw", "loop_current", "plc_flow") if tail.has(role)]
    if len(roles) < 2 or roles[-1] != "plc_flow" or _at_an_end(window, tail):
        return
    since = min((tail.still(role) for role in roles), key=lambda standing: standing.seconds)
    gauge = window.loop.gauge.range
    moved = tail.swing("flow", since.begin, FOLLOWS_S + window.loop.plc.filter) if since.seconds else 0.0
    least = max(TOGETHER_S if _crossed(tail, since, gauge.high - gauge.low) else ONE_SIDE_S, 4 * tail.step)
    if since.seconds >= least and moved > MOVED * (gauge.high - gauge.low):
        words = (
            f"Current and PLC flow have repeated to the bit {since_words(since)} while the gauge's flow moved by "
            f"{moved:.0f} t/h: old values are read, with good quality."
        )
        yield _at(window, Link.COMMUNICATION, "stale-tag", since, words, booked=True)


def _crossed(tail: Tail, since: Standing, span: float) -> bool:
    """Whether the gauge's flow has been on both sides of the PLC flow that repeats: no limit of the loop can hold it then."""
    flow, shown = tail.column("flow")[tail.time_s >= since.begin], tail.last("plc_flow", 1)
    flow = flow[np.isfinite(flow)]
    if not len(flow) or not len(shown):
        return True
    margin = 0.005 * span
    return bool(flow.min() < float(shown[-1]) + margin and flow.max() > float(shown[-1]) - margin)


def _at_an_end(window: Window, tail: Tail) -> bool:
    """Whether the newest current lies where a limit or a break would hold it to the bit."""
    raw, span = tail.last("ai_raw", 1), window.loop.plc.raw_span
    current = tail.last("loop_current", 1)
    if len(raw):
        current = 4.0 + 16.0 * (raw - span.low) / (span.high - span.low)
        if len(raw) and BURNOUT <= abs(float(raw[-1])) < UNSIGNED:
            return True
    top = window.loop.gauge.range.high
    flow = tail.last("flow", TOGETHER_S)
    beyond = bool(len(flow)) and float(flow.min()) > top - MOVED * (top - window.loop.gauge.range.low)
    return bool(len(current) and not 3.9 < float(current[-1]) < (19.9 if beyond else 20.3))


def _gateway(window: Window, tail: Tail, seen: Seen, results: Sequence[CheckResult]) -> Iterator[Finding]:
    del results
    result = seen.get(("counts", Link.COUNTS))
    if result is not None and result.facts.get("gateway_zeros") == 1.0:
        zero = tail.standing(np.nan_to_num(tail.column("count_rate"), nan=1.0) == 0.0)
        words = f"{upper(since_words(zero))} {result.reason}."
        yield _at(window, Link.COMMUNICATION, "gateway-zeros", zero, words, evidence=result.evidence)


def _counts(window: Window, tail: Tail, seen: Seen, results: Sequence[CheckResult]) -> Iterator[Finding]:
    del results
    result = seen.get(("counts", Link.COUNTS))
    if result is None or result.verdict is not Verdict.FAULT:
        return
    facts, counts = result.facts, tail.column("count_rate")
    low = tail.standing(np.nan_to_num(counts, nan=0.0) <= 3.0 * window.loop.gauge.background)
    zero = tail.standing(np.nan_to_num(counts, nan=1.0) == 0.0)
    if facts.get("gateway_zeros") == 1.0:
        return
    if facts.get("zero") == 1.0:
        since = zero if zero.seconds else _fell(window, tail)
        words = f"The detector has given no counts {since_words(since)}. A live detector shows at least the background; the gauge takes no counts for the largest flow."
        yield _at(window, Link.COUNTS, "zero-counts", since, words, evidence=result.evidence, late_s=_settles(window))
    elif facts.get("contradiction") == 1.0:
        since = tail.bit("shutter_closed")
        words = (
            "The shutter indicator says closed and the beam is there. Treat the shutter as open; only a survey meter decides."
        )
        yield _at(window, Link.COUNTS, "shutter-contradiction", since, words, evidence=result.evidence)
    elif facts.get("at_background") == 1.0:
        since = low if low.seconds else _fell(window, tail)
        words = f"Only background has been counted {since_words(since)} while the belt runs: the shutter is closed or the beam is blocked."
        yield _at(window, Link.COUNTS, "shutter-closed", since, words, evidence=result.evidence, late_s=_settles(window))
    elif facts.get("frozen") == 1.0:
        since = tail.still("count_rate")
        yield _at(
            window,
            Link.COUNTS,
            "counts-frozen",
            since,
            f"{upper(since_words(since))} {result.reason}.",
            evidence=result.evidence,
            late_s=_settles(window),
        )
    else:
        begin = window.end_s - 60
        yield told(
            window, Link.COUNTS, UNKNOWN, title="counts differ", begin=begin, interval=(begin - 60, window.end_s),
            sentence=f"{result.reason[:1].upper()}{result.reason[1:]}.", evidence=result.evidence,
        )  # fmt: skip


def _settles(window: Window) -> int:
    """How long a damped count rate takes to come to rest [s]: so much earlier the cause may have come."""
    gauge = window.loop.gauge
    return round(SETTLED * gauge.damping) if gauge.counts_filtered else 0


def _fell(window: Window, tail: Tail) -> Standing:
    """Since when a damped count rate has only fallen."""
    counts = tail.column("count_rate")
    falls = np.concatenate([[False], np.diff(counts) <= 0.0]) if len(counts) else np.zeros(0, np.bool_)
    found = tail.standing(falls)
    return found if found.seconds else Standing(seconds=10, begin=window.end_s - 10, whole=False)


def _temperature(window: Window, tail: Tail, seen: Seen, results: Sequence[CheckResult]) -> Iterator[Finding]:
    del results
    result = seen.get(("temperature", Link.COUNTS))
    if result is None or result.verdict is not Verdict.FAULT:
        return
    limit, values = window.loop.limits.temperature, tail.column("detector_temperature")
    outside = tail.standing((values > limit.suspect_high) | (values < limit.suspect_low))
    words = f"{result.reason[:1].upper()}{result.reason[1:]} since {clock(outside.begin)}. Light yield and gain move with temperature, so the flow cannot be trusted."
    yield _at(window, Link.COUNTS, "detector-temperature", outside, words, evidence=result.evidence)


def _loop(window: Window, tail: Tail, seen: Seen, results: Sequence[CheckResult]) -> Iterator[Finding]:
    del results
    yield from loop_findings.findings(window, tail, seen)


def _at(
    window: Window,
    link: Link,
    cause: str,
    since: Standing,
    sentence: str,
    *,
    evidence: Sequence[object] = (),
    booked: bool = False,
    late_s: int = 0,
) -> Finding:
    """A categorical finding that has stood for a while; `booked`: what PLC and gauge differ by is worth telling.

    `late_s` is by how much a filter may show it later than it came.
    """
    from checks.result import Evidence

    begin = since.begin if since.seconds else window.end_s
    low = (begin if since.whole else since.interval[0]) - late_s
    return told(
        window, link, cause, sentence=sentence, begin=begin, interval=(low, begin),
        evidence=[item for item in evidence if isinstance(item, Evidence)],
        misstated=of_flows(window.blocks, begin) if booked else None,
    )  # fmt: skip
