"""What people see of the deliveries and order there: who is told what, what waits, what was given up, a test message."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TypedDict

from collector.delivery.message import KINDS, spoken
from collector.delivery.target import Target
from collector.history.outbox_rows import OutboxRows, Tally, Waiting
from collector.history.state import StateDb
from config.deliveries import Tell
from config.errors import TallywireError
from config.model import Site

TEST_LINES = ("If you can read this, messages arrive here.", "Nothing is wrong at the plant.")


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryLine:
    """One delivery: where it goes without what is secret, what it is told in words, what waits, and the last trouble."""

    name: str
    kind: str
    shown: str
    told: str
    tally: Tally
    error: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingLine:
    """A message that waits or was given up, in the words of people."""

    number: int
    target: str
    what: str
    created: float
    attempts: int
    next_try: float
    error: str


class BodyOfTest(TypedDict):
    """A test message as it lies in the outbox."""

    kind: str
    time: str
    title: str
    lines: list[str]


class DeliveryDesk:
    """The deliveries of a site over its state database."""

    def __init__(self, state: StateDb, site: Site, targets: Mapping[str, Target]) -> None:
        self._rows = OutboxRows(state)
        self._site = site
        self._shown = {name: target.shown for name, target in targets.items()}

    def lines(self) -> list[DeliveryLine]:
        """Every delivery of the site file."""
        tallies = self._rows.tallies()
        troubles = {item.target: item.error for item in reversed(self._rows.waiting()) if item.error}
        return [
            DeliveryLine(
                name=name, kind=delivery.kind, shown=self._shown.get(name, delivery.kind), told=words(delivery.tell),
                tally=tallies.get(name, Tally()), error=troubles.get(name, ""),
            )
            for name, delivery in self._site.deliveries.items()
        ]  # fmt: skip

    def waiting(self) -> list[WaitingLine]:
        """The messages that wait, oldest first, at most 100."""
        return [_line(item) for item in self._rows.waiting()]

    def dead(self) -> list[WaitingLine]:
        """The messages that were given up, newest first, at most 100."""
        return [_line(item) for item in self._rows.dead()]

    def backlog(self) -> dict[str, int]:
        """How many messages wait and how many were given up."""
        return self._rows.backlog()

    def test(self, name: str, *, by: str, now: float) -> int:
        """Put a test message for one delivery into the outbox, so that it goes the way of every other; returns its number."""
        self._known(name)
        body = json.dumps(body_of_test(f"Test message for {name}, ordered by {by}", now))
        return self._rows.post(key=f"test/{now:.3f}/{name}", target=name, message=body, now=now)

    def resend(self, message: int, *, now: float) -> None:
        """Try a message again that was given up."""
        if not self._rows.revive_one(message, now):
            raise TallywireError("no such message was given up", where=str(message), fix="look at the list again")

    def _known(self, name: str) -> None:
        if name not in self._site.deliveries:
            known = ", ".join(self._site.deliveries) or "none"
            raise TallywireError(f"the site file has no delivery {name!r}", fix=f"it has: {known}")


def body_of_test(title: str, now: float) -> BodyOfTest:
    """What lies in the outbox for a test message."""
    time = datetime.fromtimestamp(now, UTC).isoformat().replace("+00:00", "Z")
    return {"kind": "test", "time": time, "title": title, "lines": list(TEST_LINES)}


def words(tell: Tell) -> str:
    """What a delivery is told, in words."""
    parts = [f"priority {_some(tell.priorities)}" if tell.priorities else "every priority"]
    parts += [f"for {_some(tell.roles)}"] if tell.roles else []
    parts += [f"of {_some(tell.loops)}"] if tell.loops else []
    if tell.shifts or tell.days:
        shifts = f"in the shifts from {_some(tell.shifts)}" if tell.shifts else "in every shift"
        parts.append(f"{shifts}{f' on {_some(tell.days)}' if tell.days else ''}, handed over when duty begins")
    parts += [f"from {tell.quiet[0]} to {tell.quiet[1]} high priority only"] if tell.quiet else []
    parts += [f"low priority in a summary at {tell.digest}"] if tell.digest else []
    parts += [f"only what nobody has acknowledged for {spoken(tell.after)}"] if tell.after is not None else []
    return "; ".join(parts)


def _some(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _line(item: Waiting) -> WaitingLine:
    try:
        body = json.loads(item.message)
        what = KINDS.get(body["kind"], body["kind"]).lower()
        what += f": {body['alert']['loop']} {body['alert']['link']}" if "alert" in body else f": {body['title']}"
    except (KeyError, TypeError, ValueError):
        what = "a message of another version"
    return WaitingLine(
        number=item.id, target=item.target, what=what, created=item.created, attempts=item.attempts, next_try=item.next_try,
        error=item.error,
    )  # fmt: skip
