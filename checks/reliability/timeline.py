"""What a loop did, second by second: the states of its time, made from blocks, findings and corrections by people.

The same blocks, findings and corrections give the same timeline. A block's seconds in each belt state are exact, their
order inside it is not known: they are laid loaded, unknown, empty, stopped, uncovered. So sums are exact, and an edge is
known to the length of a block.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from checks.blocks import Blocks
from checks.causes import registry
from checks.causes.cause import Signal
from checks.finding import Finding
from checks.ne107 import Status, status
from checks.result import Verdict


class LoopState(StrEnum):
    """State of a loop at a moment."""

    TRUE = "measuring true"
    DEGRADED = "degraded"
    NOT_MEASURING = "not measuring"
    UNVERIFIED = "unverified"
    MAINTENANCE = "maintenance"
    NO_DATA = "no data"
    NOT_REQUIRED = "not required"


OF_STATUS: dict[Status | None, LoopState] = {
    Status.GOOD: LoopState.TRUE,
    Status.MAINTENANCE_REQUIRED: LoopState.DEGRADED,
    Status.OUT_OF_SPECIFICATION: LoopState.DEGRADED,
    Status.FAILURE: LoopState.NOT_MEASURING,
    Status.FUNCTION_CHECK: LoopState.MAINTENANCE,
    None: LoopState.UNVERIFIED,
}
"""The states of uptime, from the NE 107 status."""

_WORST = (LoopState.DEGRADED, LoopState.NOT_MEASURING)


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A stretch of one state, epoch seconds, `end` exclusive. `required`: the belt ran with load in it."""

    begin: int
    end: int
    state: LoopState
    required: bool
    cause: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """A finding as uptime sees it. `detected` is when it was told, `end` None while it stands; epoch seconds."""

    loop: str
    cause: str
    title: str
    begin: int
    detected: int
    end: int | None
    state: LoopState
    status: Status | None
    tonnes: float | None = None

    @property
    def failed(self) -> bool:
        """Whether it counts as a failure: NE 107 failure or out of specification."""
        return self.status in (Status.FAILURE, Status.OUT_OF_SPECIFICATION)


@dataclass(frozen=True, slots=True, kw_only=True)
class Annotation:
    """A correction by a person: `state` holds from `begin` to `end` (exclusive). The latest one holds over earlier ones."""

    loop: str
    begin: int
    end: int
    state: LoopState
    by: str
    reason: str
    made: float


def outage_of(finding: Finding, detected: int, end: int | None) -> Outage:
    """A finding with its state by the NE 107 table; the catalogue says whether its cause leaves no usable signal."""
    known = registry().get(finding.cause)
    unusable = known is not None and known.signal is Signal.FAILURE
    signal = status(finding.verdict, unusable=unusable)
    return Outage(
        loop=finding.loop, cause=finding.cause, title=finding.title, begin=min(finding.begin, detected), detected=detected,
        end=end, state=OF_STATUS[signal], status=signal, tonnes=finding.tonnes,
    )  # fmt: skip


def timeline(
    blocks: Sequence[Blocks], outages: Sequence[Outage], annotations: Sequence[Annotation], begin: int, end: int
) -> tuple[Interval, ...]:
    """The states of one loop that cover [begin, end) without gap or overlap, neighbours of one kind joined.

    A finding changes required time only; what no block covers is `no data`. Loaded seconds without a usable gauge flow for
    half of them are `not measuring`, those without a PLC flow to compare with are `unverified`. `blocks` are stretches in order
    of time; where two overlap the first holds.
    """
    pieces = _filled([piece for part in blocks for piece in _of_blocks(part)], begin, end)
    for outage in sorted(outages, key=lambda item: (_WORST.index(item.state) if item.state in _WORST else -1, -item.begin)):
        if outage.state in _WORST:
            pieces = _painted(pieces, outage.begin, end if outage.end is None else outage.end, _Fault(outage))
    for one in sorted(annotations, key=lambda item: item.made):
        pieces = _painted(pieces, one.begin, one.end, _Said(one))
    return tuple(_joined(pieces))


def clipped(intervals: Iterable[Interval], begin: int, end: int) -> list[Interval]:
    """The part of intervals inside [begin, end)."""
    return [
        replace(item, begin=max(item.begin, begin), end=min(item.end, end))
        for item in intervals
        if item.begin < end and item.end > begin
    ]


def silent_s(outage: Outage) -> int:
    """How long a failure was there before it was told [s]."""
    return outage.detected - outage.begin


@dataclass(frozen=True, slots=True)
class _Fault:
    outage: Outage

    def on(self, piece: Interval) -> Interval:
        if not piece.required or piece.state in (LoopState.MAINTENANCE, LoopState.NO_DATA):
            return piece
        if piece.state is LoopState.NOT_MEASURING and self.outage.state is not LoopState.NOT_MEASURING:
            return piece
        return replace(piece, state=self.outage.state, cause=self.outage.cause)


@dataclass(frozen=True, slots=True)
class _Said:
    said: Annotation

    def on(self, piece: Interval) -> Interval:
        state = self.said.state
        outside = state in (LoopState.NO_DATA, LoopState.NOT_REQUIRED)
        required = piece.required if state is LoopState.MAINTENANCE else not outside
        return replace(piece, state=state, required=required, cause="")


def _painted(pieces: list[Interval], begin: int, end: int, paint: _Fault | _Said) -> list[Interval]:
    out: list[Interval] = []
    for piece in pieces:
        first, last = max(piece.begin, begin), min(piece.end, end)
        if first >= last:
            out.append(piece)
            continue
        if piece.begin < first:
            out.append(replace(piece, end=first))
        out.append(paint.on(replace(piece, begin=first, end=last)))
        if last < piece.end:
            out.append(replace(piece, begin=last))
    return out


def _of_blocks(blocks: Blocks) -> list[Interval]:
    columns = [blocks.state(name).tolist() for name in ("loaded", "unknown", "empty", "stopped", "maintenance", "calibrating")]
    rows = zip(
        blocks.start_s.tolist(), *columns, blocks.covered_s.tolist(), blocks.measured_s.tolist(),
        blocks.plc_measured_s.tolist(), strict=True,
    )  # fmt: skip
    compared = "plc_flow" in blocks.roles
    out: list[Interval] = []
    for start, loaded, unknown, empty, stopped, working, calibrating, covered, measured, plc in rows:
        half = covered / 2.0
        at_work = status(Verdict.OK, working=max(working, calibrating) > half)
        usable, beside = measured > half, compared and plc > half
        state = OF_STATUS[at_work]
        if at_work is Status.GOOD:
            state = (LoopState.TRUE if beside else LoopState.UNVERIFIED) if usable else LoopState.NOT_MEASURING
        idle = LoopState.MAINTENANCE if state is LoopState.MAINTENANCE else LoopState.NOT_REQUIRED
        dark = state if state is LoopState.MAINTENANCE else LoopState.UNVERIFIED if usable else LoopState.NO_DATA
        at, passed = start, 0.0
        for seconds, here, required in (
            (loaded, state, True),
            (unknown, dark, usable),
            (empty + stopped, idle, False),
        ):
            passed += seconds
            until = min(start + round(passed), start + blocks.length_s)
            if until > at:
                out.append(Interval(begin=at, end=until, state=here, required=required))
                at = until
    return out


def _filled(pieces: list[Interval], begin: int, end: int) -> list[Interval]:
    """Cut to [begin, end), with `no data` where nothing is."""
    out: list[Interval] = []
    at = begin
    for piece in clipped(pieces, begin, end):
        if piece.end <= at:
            continue
        if piece.begin < at:
            piece = replace(piece, begin=at)
        elif piece.begin > at:
            out.append(Interval(begin=at, end=piece.begin, state=LoopState.NO_DATA, required=False))
        out.append(piece)
        at = piece.end
    if at < end:
        out.append(Interval(begin=at, end=end, state=LoopState.NO_DATA, required=False))
    return out


def _joined(pieces: Iterable[Interval]) -> list[Interval]:
    out: list[Interval] = []
    for piece in pieces:
        last = out[-1] if out else None
        if last is not None and replace(piece, begin=last.begin) == replace(last, end=piece.end):
            out[-1] = replace(last, end=piece.end)
        else:
            out.append(piece)
    return out
