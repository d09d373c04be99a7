"""From the live state to the pictures that are published; remembers only since when each loop agrees."""

from __future__ import annotations

from dataclasses import dataclass

from checks.evaluation import Evaluation, LinkNumbers
from checks.result import Link, Verdict
from collector.clock import Clock
from collector.live import LiveState
from collector.publish.picture import LINKS, STATUSES, VERDICTS, Picture, Quality
from collector.web.overview import LoopLine, Standing, loop_line, stale_after
from collector.web.words import finite

WITNESS = "scaling"
"""The check that must agree at every station before a flow is called fit for control: it alone compares the two ends."""


@dataclass(slots=True)
class _Seen:
    """What was last seen of a loop: the second that was evaluated, when that changed [monotonic s], since when it agrees, and since
    when nothing is in doubt."""

    time_s: int
    at: float
    agrees_since: float | None = None
    clear_since: float | None = None


class Painter:
    """Paints every loop of the site. Call it from the event loop, once a second."""

    def __init__(self, live: LiveState, clock: Clock) -> None:
        self._live = live
        self._clock = clock
        self._seen: dict[str, _Seen] = {}

    def paint(self) -> list[Picture]:
        """Every loop in the order of the site file."""
        now, monotonic = self._clock.now(), self._clock.monotonic()
        return [self._loop(loop, now, monotonic) for loop in self._live.site.loops]

    def _loop(self, loop: str, now: float, monotonic: float) -> Picture:
        line = loop_line(self._live, loop, now)
        bare = Picture(loop=loop, title=line.title, span_t_h=self._span(loop), quality=Quality.WAITING)
        evaluation = line.evaluation
        if evaluation is None:
            reason = "the service starts" if line.standing is Standing.STARTING else "no data have come yet"
            return _with(bare, reason=reason)
        seen = self._look(evaluation, line, monotonic)
        limit = stale_after(self._live)
        if line.stale or monotonic - seen.at > limit or evaluation.time_s - now > limit:
            seen.agrees_since = seen.clear_since = None
            return _with(bare, quality=Quality.STALE, reason="no fresh data", time=float(evaluation.time_s))
        link, row = _deviating(line, evaluation)
        t_h, share = self._deviation(line, link, row)
        doubt = self._lasting(_doubt(line, evaluation), evaluation, seen)
        sure = line.verdict in (Verdict.OK, Verdict.FAULT)
        return Picture(
            loop=loop,
            title=line.title,
            span_t_h=bare.span_t_h,
            quality=Quality.GOOD if sure else Quality.UNCERTAIN,
            verdict=VERDICTS[line.verdict],
            status=STATUSES[line.status],
            link=LINKS[link],
            cause=line.lead.cause if line.lead is not None else "",
            deviation_t_h=t_h,
            deviation_span=share,
            agrees_since=seen.agrees_since,
            fit=not doubt,
            reason=doubt,
            time=float(evaluation.time_s),
        )

    def _look(self, evaluation: Evaluation, line: LoopLine, monotonic: float) -> _Seen:
        seen = self._seen.get(line.loop)
        if seen is None:
            seen = self._seen[line.loop] = _Seen(evaluation.time_s, monotonic)
        elif seen.time_s != evaluation.time_s:
            seen.time_s, seen.at = evaluation.time_s, monotonic
        if line.standing is not Standing.AGREES:
            seen.agrees_since = None
        elif seen.agrees_since is None:
            seen.agrees_since = float(evaluation.time_s)
        return seen

    def _lasting(self, doubt: str, evaluation: Evaluation, seen: _Seen) -> str:
        """The doubt, else that it has not been gone for long enough."""
        if doubt:
            seen.clear_since = None
            return doubt
        if seen.clear_since is None:
            seen.clear_since = float(evaluation.time_s)
        wanted = self._live.site.publish.fit_after
        return "" if evaluation.time_s - seen.clear_since >= wanted else f"nothing has been in doubt for less than {wanted:g} s"

    def _span(self, loop: str) -> float:
        span = self._live.site.loops[loop].plc.range
        return span.high - span.low

    def _deviation(self, line: LoopLine, link: Link | None, row: LinkNumbers | None) -> tuple[float | None, float | None]:
        """In t/h and in % of the span of the PLC: what the finding says of its link, else the numbers of the last minute."""
        span = self._span(line.loop)
        rate = finite(line.lead.rate_error_t_h) if line.lead is not None and line.lead.link is link else None
        if rate is None and row is not None:
            share = finite(row.deviation_span)
            return (None, None) if share is None else (share / 100.0 * span, share)
        return (None, None) if rate is None else (rate, 100.0 * rate / span)


def _with(picture: Picture, *, quality: Quality | None = None, reason: str, time: float | None = None) -> Picture:
    return Picture(
        loop=picture.loop, title=picture.title, span_t_h=picture.span_t_h, quality=quality or picture.quality, reason=reason,
        time=time,
    )  # fmt: skip


def _deviating(line: LoopLine, evaluation: Evaluation) -> tuple[Link | None, LinkNumbers | None]:
    """The link that is told of, None where all agree, and the row that carries its largest deviation."""
    link: Link | None = line.lead.link if line.lead is not None else None
    if link is None:
        link = next((mark.link for mark in line.marks if mark.verdict in (Verdict.FAULT, Verdict.SUSPECT)), None)
    rows = [
        row for row in evaluation.chain if row.link is (link or Link.SCALING_BLOCK) and finite(row.deviation_span) is not None
    ]
    return link, max(rows, key=lambda row: abs(row.deviation_span or 0.0), default=None)


def _doubt(line: LoopLine, evaluation: Evaluation) -> str:
    """Why the flow is not fit for control, in words; empty only where nothing is in doubt."""
    if line.verdict is not Verdict.OK:
        told = line.lead.title if line.lead is not None else _first_reason(line)
        return f"{line.verdict.words}: {told}" if told else line.verdict.words
    if evaluation.suppressed:
        return evaluation.suppressed
    ends = [item for item in evaluation.results if item.check == WITNESS]
    open_ones = [item for item in ends if item.verdict is not Verdict.OK]
    if open_ones:
        return f"the two ends are not compared yet: {open_ones[0].needs[0] if open_ones[0].needs else open_ones[0].reason}"
    return "" if ends else "nothing compares the two ends of this loop"


def _first_reason(line: LoopLine) -> str:
    """Why the first link that does not agree does not."""
    return next((mark.reason for mark in line.marks if mark.verdict is line.verdict), "")
