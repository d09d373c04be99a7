"""The audit log: who did what, when, from where, what was before and after, in a chain of hashes.

The chain shows a changed, missing or inserted entry. It cannot show that its end was cut off, nor that somebody who may write to the
database made the whole chain anew: for that, a hash must be kept elsewhere, which is why the head of each day is sent away with the
daily summary. It cannot prove that the clock of the machine was right, or that a person at the keyboard was the one who signed in.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Any

import sqlalchemy as sa

from collector.history.access_tables import AUDIT
from collector.history.state import StateDb
from collector.history.statements import one_at_a_time
from collector.records.chain import Break, Linked, link, verify

AT_A_TIME = 500
LONGEST_TEXT = 2000
"""Signs of one value that is kept [count]; longer ones are cut, and say so."""
_SECRET = re.compile(r"pass(word|wd|phrase)?|pwd|secret|token|api_?key|authorization|cookie|credential", re.IGNORECASE)
NOT_KEPT = "(not kept)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """What is entered. `old` and `new` are plain JSON values by name; secrets in them are left out by name."""

    time: float
    who: str
    kind: str
    address: str
    what: str
    subject: str = ""
    status: int | None = None
    old: Mapping[str, Any] = field(default_factory=dict)
    new: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """An entry as it is stored: its number, what it holds, and its hash."""

    number: int
    sha256: str
    action: Action


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The last entry at some moment: number and hash, to be kept elsewhere."""

    number: int
    sha256: str
    time: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Walked:
    """What a walk along the chain found: entries, the last one, and the first place where it breaks."""

    count: int
    head: Head | None
    broken: Break | None


def add(connection: sa.Connection, action: Action) -> Entry:
    """Enter an action behind the last one, in the transaction of the action itself where that has one."""
    one_at_a_time(connection, "audit")
    one_at_a_time(connection, "audit")
    newest = connection.execute(sa.select(AUDIT).order_by(AUDIT.c.number.desc()).limit(1)).one_or_none()
    made = link(None if newest is None else _linked(newest), _content(action))
    connection.execute(
        AUDIT.insert().values(number=made.number, time=action.time, text=made.text, before=made.before, sha256=made.sha256)
    )
    return Entry(number=made.number, sha256=made.sha256, action=action)


class AuditLog:
    """The log in the state database. Calls raise StoreError where the disk refuses them."""

    def __init__(self, state: StateDb) -> None:
        self._state = state

    def add(self, action: Action) -> Entry:
        """Enter an action in a transaction of its own."""
        with self._state.transaction() as connection:
            return add(connection, action)

    def newest(
        self, *, begin: float | None = None, end: float | None = None, who: str = "", before: int | None = None, most: int = 100
    ) -> list[Entry]:
        """Entries, newest first: of a time [epoch s], of somebody, below a number."""
        wanted = sa.select(AUDIT).order_by(AUDIT.c.number.desc())
        if begin is not None:
            wanted = wanted.where(AUDIT.c.time >= begin)
        if end is not None:
            wanted = wanted.where(AUDIT.c.time < end)
        found: list[Entry] = []
        below = before
        while len(found) < most:
            page = wanted if below is None else wanted.where(AUDIT.c.number < below)
            with self._state.transaction() as connection:
                rows = connection.execute(page.limit(AT_A_TIME)).all()
            found += [entry for entry in map(_entry, rows) if not who or entry.action.who == who]
            if len(rows) < AT_A_TIME:
                break
            below = rows[-1].number
        return found[:most]

    def walk(self, *, kept: tuple[int, str] | None = None) -> Walked:
        """Walk the whole chain. `kept` is number and hash (or its first signs) of an entry, as it was sent away once."""
        last = None
        if kept is not None:
            number, signs = kept
            found = self._one(number)
            same = found is not None and found.sha256.startswith(signs)
            last = Linked(number=number, text="", before="", sha256=found.sha256 if found is not None and same else signs)
        head: Head | None = None
        count = 0
        misdated: int | None = None

        def walk() -> Iterator[Linked]:
            nonlocal head, count, misdated
            for row in self._in_order():
                count += 1
                head = Head(number=row.number, sha256=row.sha256, time=row.time)
                if misdated is None and _time_of(row.text) != row.time:
                    misdated = row.number
                yield _linked(row)

        chain = walk()
        broken = verify(chain, last=last)
        for _ in chain:  # the rest behind a break is counted, too
            pass
        if misdated is not None and (broken is None or misdated < broken.number):
            broken = Break(number=misdated, reason="the time by which it is found is not the time that it states")
        return Walked(count=count, head=head, broken=broken)

    def head(self, end: float) -> Head | None:
        """The last entry before a time [epoch s]; None where there is none."""
        wanted = sa.select(AUDIT).where(AUDIT.c.time < end).order_by(AUDIT.c.number.desc()).limit(1)
        with self._state.transaction() as connection:
            row = connection.execute(wanted).one_or_none()
        return None if row is None else Head(number=row.number, sha256=row.sha256, time=row.time)

    def _one(self, number: int) -> Linked | None:
        with self._state.transaction() as connection:
            row = connection.execute(sa.select(AUDIT).where(AUDIT.c.number == number)).one_or_none()
        return None if row is None else _linked(row)

    def _in_order(self) -> Iterator[sa.Row[Any]]:
        number = 0
        while True:
            wanted = sa.select(AUDIT).where(AUDIT.c.number > number).order_by(AUDIT.c.number).limit(AT_A_TIME)
            with self._state.transaction() as connection:
                some = connection.execute(wanted).all()
            yield from some
            if len(some) < AT_A_TIME:
                return
            number = some[-1].number


def audit_head(state: StateDb, day: date, zone: tzinfo = UTC) -> Head | None:
    """The last entry of the audit log up to the end of a day: what is sent away so that a cut or rewritten chain shows."""
    end = datetime.combine(day + timedelta(days=1), time(), tzinfo=zone).timestamp()
    return AuditLog(state).head(end)


def clean(values: Mapping[str, Any]) -> dict[str, Any]:
    """Values as they may be kept: secrets left out by their name, long texts cut, anything that is no plain JSON as text."""
    return {str(name): NOT_KEPT if _SECRET.search(str(name)) else _plain(value) for name, value in values.items()}


def _plain(value: object) -> Any:
    if isinstance(value, Mapping):
        return clean(value)
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value][:LONGEST_TEXT]
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, float):
        return value if abs(value) < float("inf") else str(value)
    text = str(value).encode("utf-8", "replace").decode()
    return text if len(text) <= LONGEST_TEXT else f"{text[:LONGEST_TEXT]}... ({len(text)} signs)"


def _content(action: Action) -> dict[str, Any]:
    content: dict[str, Any] = {
        "time": action.time, "who": action.who, "kind": action.kind, "address": action.address, "what": action.what,
        "subject": action.subject, "old": clean(action.old), "new": clean(action.new),
    }  # fmt: skip
    return content if action.status is None else content | {"status": action.status}


def _linked(row: sa.Row[Any]) -> Linked:
    return Linked(number=row.number, text=row.text, before=row.before, sha256=row.sha256)


def _time_of(text: str) -> float | None:
    raw = _raw(text)
    found = raw.get("time")
    return float(found) if isinstance(found, int | float) else None


def _raw(text: str) -> dict[str, Any]:
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _entry(row: sa.Row[Any]) -> Entry:
    raw = _raw(row.text)

    def values(name: str) -> Mapping[str, Any]:
        found = raw.get(name)
        return found if isinstance(found, dict) else {}

    status = raw.get("status")
    action = Action(
        time=row.time, who=str(raw.get("who", "")), kind=str(raw.get("kind", "")), address=str(raw.get("address", "")),
        what=str(raw.get("what", "(this entry cannot be read)")), subject=str(raw.get("subject", "")),
        status=status if isinstance(status, int) else None, old=values("old"), new=values("new"),
    )  # fmt: skip
    return Entry(number=row.number, sha256=row.sha256, action=action)
