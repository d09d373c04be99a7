"""Totals of two words that are read in two requests: a jump by 65,536 digits for a moment, when the low word rolls over."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from checks.finding import Finding
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.telling import clock, told
from checks.window import Window
from config.model import ModbusTag, Tag, WireType

TORN_DIGITS = 65536.0
TORN_S = 3600
NEWEST = 20
"""Entries of the event ledger that are looked through."""


def findings(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """A total of two words that are read in two requests jumps by 65,536 digits for a poll when the low word rolls over."""
    del results
    full = max(window.loop.gauge.range.high, window.loop.plc.range.high)
    for role, totalizer in (("gauge_total", window.loop.gauge.total), ("plc_total", window.loop.plc.total)):
        tag = window.loop.tags.get(role)
        if tag is None:
            continue
        digit = _digit(tag) or totalizer.resolution
        slack = 12.0 * full / 3600.0 + 2.0 * digit
        for entry in reversed(window.ledger[-NEWEST:]):
            if entry.role != role or entry.kind != "total-transient" or entry.time_s < window.end_s - TORN_S:
                continue
            size = abs((entry.new or 0.0) - (entry.old or 0.0))
            words = round(size / (TORN_DIGITS * digit))
            if words >= 1 and abs(size - words * TORN_DIGITS * digit) <= slack:
                name = "gauge total" if role == "gauge_total" else "PLC total"
                yield told(
                    window, Link.TOTALS, "wrong-type", verdict=Verdict.SUSPECT, begin=entry.time_s,
                    interval=(entry.time_s - 6, entry.time_s),
                    evidence=(Evidence(name="jump", value=size, unit="t", limit=TORN_DIGITS * digit),),
                    sentence=(
                        f"The {name} jumped by {words * 65536:,} digits for a moment at {clock(entry.time_s)}: its two words "
                        f"are read at different times. No tonnes were booked for it."
                    ),
                )  # fmt: skip
                break


def _digit(tag: Tag) -> float | None:
    """What one digit of an integer tag is worth [t]; None where it is no integer."""
    if isinstance(tag, ModbusTag) and tag.type in (WireType.UINT32, WireType.INT32):
        return abs(tag.scale)
    return None
