"""The book of records: numbers new ones, finds old ones, and says whether the chain is unbroken."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any

from collector.history import record_rows
from collector.history.state import StateDb
from collector.records.chain import Break, Linked, verify
from collector.records.content import Head, field_of, plain
from collector.records.forms import content_of, raw_of
from config.errors import TallywireError

MOST_LISTED = 500
AT_A_TIME = 100
"""Records that are read in one transaction."""
FEWEST_SIGNS = 8
"""Signs of a hash that must be given at least to be compared."""


def printed_hash(number: str, sha256: str) -> tuple[int, str]:
    """Number and hash (or its first signs) as somebody copies them from paper.

    Raises
    ------
    TallywireError
        The number is none, or the hash is too short or not hexadecimal.
    """
    signs = "".join(sha256.split()).lower()
    if not re.fullmatch(rf"[0-9a-f]{{{FEWEST_SIGNS},64}}", signs) or not re.fullmatch(r"[1-9][0-9]{0,9}", number.strip()):
        raise TallywireError(
            "this is no record number with its hash", where="printed hash",
            fix=f"give the number and at least the first {FEWEST_SIGNS} characters of `hash of this record`, as 12=5d1f0c2a",
        )  # fmt: skip
    return int(number), signs


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A record as it is stored. `text` is its content as canonical JSON; hashes are hex."""

    number: int
    text: str
    before: str
    sha256: str

    @property
    def content_sha256(self) -> str:
        """SHA-256 of the content alone: the same content has the same, whatever its number."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    @property
    def raw(self) -> dict[str, Any]:
        """The content as plain values."""
        return raw_of(self.text)

    @property
    def content(self) -> Head | None:
        """The typed content, None where this program has no form for it."""
        return content_of(self.text)

    @property
    def kind(self) -> str:
        """Its kind, `record` where it has none."""
        return field_of(self.raw, "kind", "record")


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A record in one line of the list; `begin` and `end` None where it is about no time, `made` where it is not dated."""

    number: int
    kind: str
    loops: tuple[str, ...]
    period: str
    begin: int | None
    end: int | None
    made: float | None
    by: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What the walk along the chain found: how many records, the newest, and the first place where it breaks."""

    count: int
    newest: Record | None
    broken: Break | None


class RecordBook:
    """Records in the state database. Calls raise StoreError where the disk refuses them."""

    def __init__(self, state: StateDb) -> None:
        self._state = state

    def add(self, content: Head) -> Record:
        """Number a content and chain it to the last."""
        with self._state.transaction() as connection:
            return _record(record_rows.add(connection, plain(content)))

    def find(self, number: int) -> Record | None:
        """One record by number; a number that no database can hold is that of none."""
        if not 1 <= number < 2**62:
            return None
        with self._state.transaction() as connection:
            found = record_rows.one(connection, number)
        return None if found is None else _record(found)

    def lines(
        self, *, loop: str = "", kind: str = "", begin: int | None = None, end: int | None = None, most: int = MOST_LISTED
    ) -> list[Line]:
        """Records, newest first: of a loop, of a kind, about (or, where they are about no time, made in) a time [epoch s]."""
        lines = (_line(item) for item in self._newest_first(kind))
        kept = (line for line in lines if (not loop or loop in line.loops) and _touches(line, begin, end))
        return list(islice(kept, most))

    def scheduled(self, schedule: str, loops: tuple[str, ...], begin: int) -> Record | None:
        """The record that a schedule made for loops and the period that begins then."""
        return next((one for one in self._of_schedule(schedule) if _is(one, loops, begin)), None)

    def latest_scheduled(self, schedule: str, loops: tuple[str, ...]) -> int | None:
        """Begin of the newest period for which a schedule made a record [epoch s]."""
        begins = [_period(one.raw).get("begin") for one in self._of_schedule(schedule) if _is(one, loops, None)]
        return max((begin for begin in begins if isinstance(begin, int)), default=None)

    def verify(self, *, printed: tuple[int, str] | None = None) -> Verified:
        """Walk the whole chain; `printed` is the number of a record and its hash, or the first signs of it, from paper."""
        kept = None
        if printed is not None:
            number, sha256 = printed
            found = self.find(number)
            same = found is not None and found.sha256.startswith(sha256)
            kept = Linked(number=number, text="", before="", sha256=found.sha256 if found is not None and same else sha256)
        walked: list[Linked] = []
        count = 0

        def walk() -> Iterator[Linked]:
            nonlocal count
            for item in self._in_order():
                walked[:] = [item]
                count += 1
                yield item

        chain = walk()
        broken = verify(chain, last=kept)
        for _ in chain:  # the rest behind a break is counted, too
            pass
        return Verified(count=count, newest=_record(walked[0]) if walked else None, broken=broken)

    def _in_order(self) -> Iterator[Linked]:
        """All records, some at a time: the alerts need the same database in between."""
        number = 0
        while True:
            with self._state.transaction() as connection:
                some = record_rows.behind(connection, number, AT_A_TIME)
            yield from some
            if len(some) < AT_A_TIME:
                return
            number = some[-1].number

    def _newest_first(self, kind: str) -> Iterator[Linked]:
        number = None
        while True:
            with self._state.transaction() as connection:
                some = record_rows.ahead(connection, number, AT_A_TIME, kind)
            yield from some
            if len(some) < AT_A_TIME:
                return
            number = some[-1].number

    def _of_schedule(self, schedule: str) -> list[Record]:
        with self._state.transaction() as connection:
            return [_record(item) for item in record_rows.of_schedule(connection, schedule)]


def _record(item: Linked) -> Record:
    return Record(number=item.number, text=item.text, before=item.before, sha256=item.sha256)


def _period(raw: dict[str, Any]) -> dict[str, Any]:
    period = raw.get("period")
    return period if isinstance(period, dict) else {}


def _loops(raw: dict[str, Any]) -> tuple[str, ...]:
    listed = raw.get("loops")
    if isinstance(listed, list):
        return tuple(str(item) for item in listed)
    return (field_of(raw, "loop"),) if field_of(raw, "loop") else ()


def _is(record: Record, loops: tuple[str, ...], begin: int | None) -> bool:
    return _loops(record.raw) == loops and (begin is None or _period(record.raw).get("begin") == begin)


def _line(item: Linked) -> Line:
    raw = raw_of(item.text)
    period, made = _period(raw), raw.get("made")
    begin, end = period.get("begin"), period.get("end")
    return Line(
        number=item.number, kind=field_of(raw, "kind", "record"), loops=_loops(raw), period=field_of(period, "name"),
        begin=begin if isinstance(begin, int) else None, end=end if isinstance(end, int) else None,
        made=float(made) if isinstance(made, int | float) else None, by=field_of(raw, "by"), sha256=item.sha256,
    )  # fmt: skip


def _touches(line: Line, begin: int | None, end: int | None) -> bool:
    first, last = (line.begin, line.end) if line.begin is not None else (line.made, line.made)
    if first is None or last is None:
        return begin is None and end is None
    after = begin is None or last > begin or first >= begin
    return after and (end is None or first < end)
