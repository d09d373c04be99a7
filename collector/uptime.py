"""The uptime of a loop over a time, read from the history: the same history gives the same answer."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from checks.blocks import Blocks
from checks.reliability.pareto import Share, pareto
from checks.reliability.rates import Estimate, Tally, mtbf, mttr, tally
from checks.reliability.timeline import Annotation, Interval, LoopState, Outage, clipped, outage_of, silent_s, timeline
from checks.reliability.trend import PowerLaw, Trend, laplace, power_law
from collector.alerts.model import Alert
from collector.history.store import Store
from collector.local_days import midnight
from collector.spreadsheet import safe_text

Span = Literal["day", "week", "month"]

FINE_S = 8 * 86400
"""Up to this length a time is read by the minute, above it by the hour [s]."""
BEFORE_S = 400 * 86400.0
"""How long before a time an alert may have been raised that still stands in it [s]."""
MOST_ALERTS = 20_000
CONFIDENCE = 0.9
"""Of the limits that are told; own choice, no source."""
FEWEST_FOR_TREND = 4
"""Failures below which no trend is told (own choice, no source)."""

DEFINITIONS = (
    "Required time: the belt ran with load, or a flow was read and no tag tells what the belt did.",
    (
        "Available: a usable flow was read while the loop was required: measuring true, degraded or unverified. Availability is "
        "available time over required time. It says that a number came, not that it was right; measuring true says that."
    ),
    (
        "Measuring true: a flow at both ends and no finding against it. Degraded: a finding says out of specification or "
        "maintenance required (NE 107). Not measuring: no usable flow, or a finding says failure. Unverified: a flow, and nothing to "
        "compare it with. Maintenance: a bit says maintenance or calibration."
    ),
    "No data: nothing was stored, so nothing is said; it is outside required time. Not required: the belt stood or ran empty.",
    (
        "A failure is a finding of failure or out of specification that began in the time. MTBF: required hours per failure, from "
        "failure to failure; MTTR: hours from detection to return, per failure that returned; both with 90 % limits by chi-square, "
        "as of an observation that ended at a given time. Silent: from begin to detection."
    ),
    (
        "Trend: Laplace's test, and the power law of Crow and AMSAA fitted to the required hours at which failures began. A shape "
        "(beta) below 1 is reliability growth, above 1 deterioration, 1 a constant rate; MTBF and its limits suppose a constant rate. "
        f"Fewer than {FEWEST_FOR_TREND} failures tell no trend."
    ),
    "Edges are known to a minute up to eight days, to an hour above that; sums of belt states are exact.",
)
"""What the words mean, for the foot of every report."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Uptime:
    """One loop over [begin, end), epoch seconds. `trend` and `growth` are None where too few failures began."""

    loop: str
    begin: int
    end: int
    intervals: tuple[Interval, ...]
    tally: Tally
    outages: tuple[Outage, ...]
    annotations: tuple[Annotation, ...]
    shares: tuple[Share, ...]
    mtbf: Estimate
    mttr: Estimate
    trend: Trend | None
    growth: PowerLaw | None = None

    @property
    def failures(self) -> tuple[Outage, ...]:
        """The failures that began in the time, oldest first."""
        return tuple(item for item in self.outages if item.failed and self.begin <= item.begin < self.end)

    @property
    def silent_s(self) -> int:
        """From begin to detection, over all failures [s]."""
        return sum(silent_s(item) for item in self.failures)

    @property
    def not_measuring_s(self) -> int:
        """Required time without a usable flow [s]."""
        return self.tally.required_s.get(LoopState.NOT_MEASURING, 0)

    def within(self, begin: int, end: int) -> Tally:
        """The tally of a part."""
        return tally(clipped(self.intervals, begin, end))


def read(store: Store, past: Callable[[float, float, int], Sequence[Alert]], loop: str, begin: int, end: int) -> Uptime:
    """The uptime of a loop. `past` gives the alerts raised in a time, at most so many."""
    alerts = [item for item in past(begin - BEFORE_S, float(end), MOST_ALERTS) if item.loop == loop]
    found = sorted((_outage(item) for item in alerts), key=lambda item: (item.begin, item.cause))
    outages = tuple(item for item in found if item.begin < end and (item.end is None or item.end > begin))
    notes = tuple(store.annotations(loop, begin, end))
    intervals = timeline(_blocks(store, loop, begin, end), outages, notes, begin, end)
    whole = tally(intervals)
    began = [item for item in outages if item.failed and item.begin >= begin]
    repaired = [item for item in began if item.end is not None and item.end <= end]
    aged = _ages(intervals, began)
    down = sum(max((item.end or 0) - item.detected, 0) for item in repaired)
    return Uptime(
        loop=loop, begin=begin, end=end, intervals=intervals, tally=whole, outages=outages, annotations=notes,
        shares=pareto(began, intervals), mtbf=mtbf(whole.required / 3600.0, len(began)),
        mttr=mttr(down / 3600.0, len(repaired)), trend=laplace(*aged) if aged else None,
        growth=power_law(*aged, confidence=CONFIDENCE) if aged else None,
    )  # fmt: skip


def stretch_of(span: Span, day: date, zone: ZoneInfo) -> tuple[int, int]:
    """The local day, week (from Monday) or month that holds a day [epoch s]."""
    if span == "day":
        first, after = day, day + timedelta(days=1)
    elif span == "week":
        first = day - timedelta(days=day.weekday())
        after = first + timedelta(days=7)
    else:
        first = day.replace(day=1)
        after = (first + timedelta(days=32)).replace(day=1)
    return midnight(first, zone), midnight(after, zone)


def days_of(begin: int, end: int, zone: ZoneInfo) -> list[tuple[int, int]]:
    """The local days of a time, the first and the last cut to it."""
    edges = [begin]
    day = datetime.fromtimestamp(begin, zone).date() + timedelta(days=1)
    while (edge := midnight(day, zone)) < end:
        edges.append(edge)
        day += timedelta(days=1)
    return list(zip(edges, [*edges[1:], end], strict=True))


COLUMNS = (
    "loop", "from", "to", "availability", "measuring_true_share", "required_h", *(
        f"{state.value.replace(' ', '_')}_h" for state in LoopState if state is not LoopState.NOT_REQUIRED
    ), "not_required_h",
)  # fmt: skip


def rows(uptimes: Sequence[Uptime], zone: ZoneInfo) -> list[tuple[str, ...]]:
    """One row a loop and local day, in the order of `COLUMNS`."""
    out = []
    for one in uptimes:
        for begin, end in days_of(one.begin, one.end, zone):
            part = one.within(begin, end)
            hours = [
                part.no_data_s if state is LoopState.NO_DATA else part.required_s.get(state, 0)
                for state in LoopState
                if state is not LoopState.NOT_REQUIRED
            ]
            shares = ["" if share is None else f"{share:.6f}" for share in (part.availability, part.true_share)]
            seconds = [part.required, *hours, part.idle_s]
            edges = [datetime.fromtimestamp(edge, zone).isoformat() for edge in (begin, end)]
            out.append((safe_text(one.loop), *edges, *shares, *(f"{value / 3600.0:.4f}" for value in seconds)))
    return out


def csv_text(uptimes: Sequence[Uptime], zone: ZoneInfo) -> str:
    """The rows as CSV; times are local with their offset."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    writer.writerows(rows(uptimes, zone))
    return out.getvalue()


def sentence(uptimes: Sequence[Uptime]) -> str:
    """What the numbers show."""
    whole = tally(interval for one in uptimes for interval in one.intervals)
    if whole.availability is None:
        return "No time was required: nothing is stored of a loaded belt."
    failures = sum(len(one.failures) for one in uptimes)
    times = "no failure began" if not failures else "one failure began" if failures == 1 else f"{failures} failures began"
    dark = f"; there are no data of {whole.no_data_s / 3600.0:.1f} h" if whole.no_data_s else ""
    return (
        f"A flow was there in {_cut(whole.availability)} % of {whole.required / 3600.0:.1f} required hours and measured "
        f"true in {_cut(whole.true_share or 0.0)} %; {times}{dark}."
    )


def _cut(share: float) -> str:
    """A share in %, cut and not rounded so that 100 is said of all only."""
    return "100" if share >= 1.0 else f"{int(share * 10000.0) / 100.0:.2f}"


def utc(time_s: float) -> str:
    """A time as ISO 8601, Z."""
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _outage(alert: Alert) -> Outage:
    over = alert.finding.end if alert.finding.end is not None else alert.returned
    return outage_of(alert.finding, int(alert.raised), None if alert.active or over is None else int(over))


def _blocks(store: Store, loop: str, begin: int, end: int) -> list[Blocks]:
    """By the minute where the time is short, else by the hour and by the minute after the last whole hour."""
    if end - begin <= FINE_S:
        by_minute = store.rollups(loop, 60, begin - begin % 60, end)
        if by_minute is not None and len(by_minute):
            first = int(by_minute.start_s[0])
            older = store.rollups(loop, 3600, begin - begin % 3600, first - first % 3600) if first - begin >= 3600 else None
            return [by_minute] if older is None or not len(older) else [older, by_minute]
    by_hour = store.rollups(loop, 3600, begin - begin % 3600, end)
    known = [] if by_hour is None or not len(by_hour) else [by_hour]
    after = max(int(known[0].start_s[-1]) + 3600, begin) if known else begin
    rest = store.rollups(loop, 60, after - after % 60, end) if end - after > 0 else None
    return known if rest is None or not len(rest) else [*known, rest]


def _ages(intervals: Sequence[Interval], failures: Sequence[Outage]) -> tuple[list[float], float] | None:
    """Required hours at each failure, and in all; None where too few failures began to tell a trend.

    Failures outside required time fall on the last required second before them.
    """
    if len(failures) < FEWEST_FOR_TREND:
        return None
    required = [item for item in intervals if item.required]
    total = sum(item.end - item.begin for item in required) / 3600.0
    times = [
        sum(min(item.end, failure.begin) - item.begin for item in required if item.begin < failure.begin) / 3600.0
        for failure in failures
    ]
    times = [max(time, 1.0 / 3600.0) for time in times]
    return (times, total) if total > 0.0 and max(times) <= total and min(times) < total else None
