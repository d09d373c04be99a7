"""Closes a period: its account becomes a numbered record. A later restatement is a new record beside the old one."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass

from pydantic import ValidationError

from checks.accounting.balance import PeriodBalance
from checks.accounting.bridge import Bridge
from checks.accounting.calendar import Kind, Period
from collector.accounts import account, periods
from collector.accounts.account import Account, Past
from collector.accounts.content import KIND, PeriodAccount, parts_of
from collector.clock import Clock
from collector.history.store import Store
from collector.records.book import Record, RecordBook
from collector.records.content import head_of, told
from config.errors import TallywireError
from config.model import Site

SAME = 1e-9
FIGURES = ("gauge", "plc", "own", "best", "uncertainty", "measured_h", "excluded_h")


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed:
    """The newest record of a closed period, and how many there are of it."""

    record: Record
    content: PeriodAccount
    versions: int


class Accountant:
    """Reads accounts, closes periods and restates them. Every call may take seconds: it is for a worker thread."""

    def __init__(self, site: Site, sha256: str, store: Store, past: Past, clock: Clock, book: RecordBook | None) -> None:
        self._site, self._sha256, self._store, self._past, self._clock = site, sha256, store, past, clock
        self._book = book
        self._lock = threading.Lock()

    @property
    def keeps(self) -> bool:
        """Whether periods can be closed here."""
        return self._book is not None

    def read(self, loop: str, parts: Sequence[Period], *, named: Period | None = None, creep: bool = True) -> Account:
        """The account of a loop over some periods; ValueError where none has begun."""
        now = self._clock.now()
        return account.read(self._site, self._store, self._past, loop, parts, now, named=named, creep=creep)

    def account(self, loop: str, period: Period) -> tuple[PeriodBalance, Bridge | None] | None:
        """The balance of a period and the way from booked to best, for reports; None where nothing is known of it."""
        found = self.read(loop, (period,), creep=False) if periods.begun((period,), self._clock.now()) else None
        return (found.whole, found.bridge) if found is not None and found.measured else None

    def close(self, loop: str, kind: Kind, name: str, *, by: str, reason: str = "") -> Record:
        """Close a period: the first record of its account.

        Raises
        ------
        TallywireError
            There is no such period, it has not ended, nothing is known of it, or it was closed before.
        """
        period = self._period(kind, name)
        book = self._records()
        with self._lock:
            before = self.closed(loop, period)
            if before is not None:
                raise TallywireError(
                    f"{loop} {name} is closed already, by record {before.record.number}", where="period",
                    fix=f"restate record {before.record.number} with name and reason",
                )  # fmt: skip
            return book.add(self._content(loop, kind, period, by=by, reason=reason))

    def close_all(self, kind: Kind, name: str, *, by: str, reason: str = "") -> list[Record]:
        """Close a period of every loop that has one to close. TallywireError where none has."""
        made: list[Record] = []
        refused: TallywireError | None = None
        for loop in self._site.loops:
            try:
                made.append(self.close(loop, kind, name, by=by, reason=reason))
            except TallywireError as error:
                refused = refused or error
        if not made and refused is not None:
            raise refused
        return made

    def restate(self, number: int, *, by: str, reason: str) -> Record | None:
        """Account for a closed period once more; the record before stays as it is. None where there is no such number.

        Raises
        ------
        TallywireError
            The record is no account, a newer one restates it, nothing has changed, or name or reason is missing.
        """
        book = self._records()
        where = f"record {number}"
        with self._lock:
            found = book.find(number)
            if found is None:
                return None
            old = _account_of(found)
            if old is None:
                raise TallywireError(
                    f"record {number} is a {found.kind}, no account of a period",
                    where=where,
                    fix="name the record of an account",
                )
            if not by.strip() or not reason.strip():
                raise TallywireError(
                    "a restatement needs a name and a reason", where=where, fix="say who says so and why the numbers change"
                )
            (loop,) = old.loops
            if loop not in self._site.loops:
                raise TallywireError(f"this site has no loop {loop!r} any more", where=where)
            span = old.period
            kind: Kind = "day" if span.kind == "time" else span.kind
            period = Period(kind=kind, name=span.name, begin=span.begin, end=span.end, note=span.note)
            newest = self.closed(loop, period)
            if newest is not None and newest.record.number != number:
                raise TallywireError(
                    f"record {number} was restated by record {newest.record.number}", where=where,
                    fix=f"restate record {newest.record.number}",
                )  # fmt: skip
            new = self._content(loop, kind, period, by=by, reason=reason, old=found)
            if not differing(old, new):
                raise TallywireError(
                    "nothing has changed since this record was made", where=where,
                    fix="correct the history first (uptime, ledger), then restate",
                )  # fmt: skip
            return book.add(new)

    def closed(self, loop: str, period: Period) -> Closed | None:
        """The newest record of a closed period of a loop, None while it is open."""
        if self._book is None:
            return None
        lines = self._book.lines(loop=loop, kind=KIND, begin=period.begin, end=period.end)
        numbers = [line.number for line in lines if (line.begin, line.end) == (period.begin, period.end)]
        record = self._book.find(max(numbers)) if numbers else None
        content = None if record is None else _account_of(record)
        return None if record is None or content is None else Closed(record=record, content=content, versions=len(numbers))

    def of_record(self, record: Record) -> Closed | None:
        """A record as the account that it holds; None where it holds none."""
        content = _account_of(record)
        if content is None:
            return None
        span = content.period
        newest = self.closed(content.loops[0], Period(kind="day", name=span.name, begin=span.begin, end=span.end))
        return Closed(record=record, content=content, versions=1 if newest is None else newest.versions)

    def _period(self, kind: Kind, name: str) -> Period:
        try:
            period = periods.period_named(self._site, kind, name)
        except (ValueError, OverflowError):
            example = {"month": "2026-03", "day": "2026-03-02", "shift": "2026-03-02 06:00"}[kind]
            raise TallywireError(f"{name!r} is no {kind} of this site", where="period", fix=f"write it as {example}") from None
        if period.end > self._clock.now() - periods.SETTLED_S:
            raise TallywireError(f"{name} has not ended", where="period", fix="close it when it is over")
        return period

    def _records(self) -> RecordBook:
        if self._book is None:
            raise TallywireError("this service keeps no records", fix="give it a history: a data folder that can be written")
        return self._book

    def _content(
        self, loop: str, kind: Kind, period: Period, *, by: str, reason: str, old: Record | None = None
    ) -> PeriodAccount:
        found = self.read(loop, periods.split_of(self._site, kind, period), named=period)
        if not found.measured:
            raise TallywireError(f"nothing is stored of {loop} in {period.name}", where="period", fix="name another period")
        site = self._site
        head = head_of(site.site, site.title, site.time_zone, self._sha256, [loop], site.loops[loop].title)
        before = {} if old is None else {"restates": old.number, "restates_sha256": old.sha256}
        fields = {**head, **parts_of(found), **before}
        try:
            return PeriodAccount.model_validate({**fields, "made": float(round(self._clock.now())), "by": by, "reason": reason})
        except ValidationError as error:
            raise told(error, "account") from error


def differing(old: PeriodAccount, new: PeriodAccount) -> tuple[str, ...]:
    """The figures of the whole period in which two accounts differ, by name."""
    pairs = {name: (getattr(old.tonnes, name), getattr(new.tonnes, name)) for name in FIGURES}
    return tuple(name for name, (a, b) in pairs.items() if not _same(a, b))


def _same(a: float | None, b: float | None) -> bool:
    return a == b or (a is not None and b is not None and abs(a - b) <= SAME * max(abs(a), abs(b)))


def _account_of(record: Record) -> PeriodAccount | None:
    if record.kind != KIND:
        return None
    try:
        return PeriodAccount.model_validate_json(record.text)
    except ValidationError:
        return None
