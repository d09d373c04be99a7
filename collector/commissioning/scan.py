"""A range of registers of a device, read slowly. What it refuses is halved, largest pieces first, and never asked twice.

A device refuses a request where one address of it is not there, so registers are found only by requests that lie among them. Pieces
are halved down to `least`, then the ends of what answers are found register by register: whole maps are found in a few requests for
each, single registers far from all others only with `least` 1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from collector.commissioning.registers import MOST_AT_ONCE, SlowReader, runs
from collector.sources.failure import Kind, LinkError

COARSE, FINE = 4, 1
FINE_UP_TO = 64
"""A range of so many registers is looked into one by one."""
MOST_SILENT = 3
"""Requests in a row without an answer after which a device is left alone."""
ILLEGAL = (2, 3)
"""Illegal data address, illegal data value (Modbus application protocol V1.1b3, section 7)."""
WHAT_NOW = {
    1: "the device has no such table: try the other one with --table", 4: "the device says that it is broken: look at the device",
    5: "the device asks for patience: scan again later", 6: "the device is busy: scan again later",
    10: "the gateway has no way to the unit", 11: "no unit answers behind the gateway: is --unit right?",
}  # fmt: skip

Progress = Callable[[int, int, tuple[int, int]], None]
"""Told how many registers are done, of how many, and how many requests are left at least and at most."""
Span = tuple[int, int]


@dataclass(slots=True, kw_only=True)
class Scanned:
    """What a range gave. `words` by address; `refused` and `unread` are spans with both ends; `ended` says why it is not whole."""

    endpoint: str
    table: str
    unit: int
    first: int
    last: int
    least: int
    words: dict[int, int] = field(default_factory=dict)
    refused: list[Span] = field(default_factory=list)
    unread: list[Span] = field(default_factory=list)
    requests: int = 0
    ended: str = ""

    @property
    def whole(self) -> bool:
        """Whether every address was asked for."""
        return not self.unread


class Scan:
    """One scan on its way; what was read stays in `found` whatever happens."""

    def __init__(
        self,
        reader: SlowReader,
        table: str,
        unit: int,
        span: Span,
        *,
        fine: bool = False,
        progress: Progress = lambda done, total, left: None,
        stopped: Callable[[], bool] = lambda: False,
    ) -> None:
        self._reader, self._progress, self._stopped = reader, progress, stopped
        first, last = span
        least = FINE if fine or last - first < FINE_UP_TO else COARSE
        self.found = Scanned(endpoint=reader.name, table=table, unit=unit, first=first, last=last, least=least)
        size = min(MOST_AT_ONCE, reader.endpoint.max_registers)
        self._left: list[Span] = [(start, min(start + size - 1, last)) for start in range(first, last + 1, size)]
        self._refused: list[Span] = []
        self._silent = 0

    async def run(self) -> Scanned:
        """Read until all is done, it is told to stop, or the device fails; never raises for a device."""
        before = self._reader.requests
        try:
            while not self.found.ended:
                self._told()
                if self._left:
                    await self._piece(self._left.pop(0))
                elif (edge := self._edge()) is not None:
                    await self._edge_of(*edge)
                else:
                    break
        finally:
            found = self.found
            found.requests = self._reader.requests - before
            found.unread = _joined(self._left)
            found.refused = _joined(self._refused)
        return found

    async def _ask(self, span: Span) -> bool | None:
        """Whether a span was read; None where it is not known, and the scan has ended or goes on elsewhere."""
        if self._stopped():
            self.found.ended = "stopped by hand"
            return None
        start, end = span
        try:
            words = await self._reader.read(self.found.table, self.found.unit, start, end - start + 1)
        except LinkError as error:
            return self._failed(error, start)
        self._silent = 0
        self.found.words.update({start + place: word for place, word in enumerate(words)})
        return True

    def _failed(self, error: LinkError, start: int) -> bool | None:
        """Whether it is known now that a span is not there as a whole."""
        if error.kind is Kind.EXCEPTION and error.code in ILLEGAL:
            self._silent = 0
            return False
        if error.kind is Kind.TIMEOUT and self._reader.requests:
            self._silent += 1
            if self._silent < MOST_SILENT:
                return False
            nothing = (
                "the device does not answer" if not self.found.words else f"the device does not answer any more from {start} on"
            )
            self.found.ended = f"{nothing}: is it on, is the unit id right, and is no other client connected?"
            return None
        hint = WHAT_NOW.get(error.code, "") if error.kind is Kind.EXCEPTION else ""
        told = (
            hint or "is it on, and is no other client connected?"
            if error.kind is not Kind.BAD_FRAME
            else "what came is no Modbus answer to it"
        )
        self.found.ended = f"{error.reason} at {start}: {told}"
        return None

    async def _piece(self, span: Span) -> None:
        start, end = span
        got = await self._ask(span)
        if got is None:
            self._left.insert(0, span)
        elif not got:
            half = (end - start + 1) // 2
            if half >= self.found.least:
                self._left += [(start, start + half - 1), (start + half, end)]
            else:
                self._refused.append(span)

    def _edge(self) -> tuple[Span, bool] | None:
        """A refused piece beside registers that answer, and whether these lie before it; pieces of one register are done."""
        for span in self._refused:
            start, end = span
            if start != end and start - 1 in self.found.words:
                return span, True
            if start != end and end + 1 in self.found.words:
                return span, False
        return None

    async def _edge_of(self, span: Span, before: bool) -> None:
        """Find where the registers end that lie beside a refused piece: the rest of the piece is refused for good."""
        self._refused.remove(span)
        start, end = span
        low, high = (start, end) if before else (end, start)
        step = 1 if before else -1
        while low != high and not self.found.ended:
            middle = low + step * ((abs(high - low) - 1) // 2)
            got = await self._ask((min(low, middle), max(low, middle)))
            if got is None:
                self._refused.append((min(low, high), max(low, high)))
                return
            if got:
                low = middle + step
            else:
                high = middle
                if low == middle:
                    break
        self._refused.append((low, low))
        rest, beside = ((low + 1, end), end + 1) if before else ((start, low - 1), start - 1)
        if rest[0] > rest[1]:
            return
        if beside in self.found.words:
            self._left.append(rest)  # registers answer on its other side too: it may be there but for the one that is not
        else:
            self._refused += [(address, address) for address in range(rest[0], rest[1] + 1)]

    def _told(self) -> None:
        done = len(self.found.words) + sum(end - start + 1 for start, end in self._refused)
        most = sum(_whole_cost(end - start + 1, self.found.least) for start, end in self._left)
        self._progress(done, self.found.last - self.found.first + 1, (len(self._left), most))


def _whole_cost(size: int, least: int) -> int:
    """Requests that a piece takes where the device refuses all of it."""
    half = size // 2
    return 1 if half < least else 1 + _whole_cost(half, least) + _whole_cost(size - half, least)


def _joined(spans: list[Span]) -> list[Span]:
    """Spans in order, those that touch put together."""
    out: list[Span] = []
    for start, end in sorted(spans):
        if out and start <= out[-1][1] + 1:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return out


def as_dict(found: Scanned) -> dict[str, object]:
    """The scan as plain values, for JSON: registers by first address of each stretch."""
    return {
        "endpoint": found.endpoint, "table": found.table, "unit": found.unit, "first": found.first, "last": found.last,
        "requests": found.requests, "ended": found.ended, "registers": {str(start): words for start, words in runs(found.words)},
        "refused": [list(span) for span in found.refused], "unread": [list(span) for span in found.unread],
    }  # fmt: skip
