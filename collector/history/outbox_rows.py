"""The rows of the outbox: what waits for delivery, what was delivered, what was given up."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from collector.history.state import StateDb
from collector.history.tables import EVENTS, OUTBOX


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A message that a target has not taken: `message` is JSON, times are epoch seconds, `error` the last refusal."""

    id: int
    key: str
    target: str
    alert: str
    message: str
    created: float
    attempts: int
    next_try: float
    error: str


@dataclass(frozen=True, slots=True)
class Tally:
    """What became of the messages of one target; `last` is when one was delivered last [epoch s], None where none is kept."""

    waiting: int = 0
    dead: int = 0
    delivered: int = 0
    last: float | None = None


class OutboxRows:
    """The outbox of a state database. Every call is one transaction and raises StoreError where the disk refuses it."""

    def __init__(self, state: StateDb) -> None:
        self._state = state

    def due(self, target: str, now: float, longest_wait_s: float) -> Waiting | None:
        """The oldest message of a target whose time has come.

        A time further ahead than any wait can be (`longest_wait_s`) was set before the clock stepped back, so it counts as come.
        """
        wanted = (
            sa.select(OUTBOX)
            .where(
                OUTBOX.c.target == target,
                OUTBOX.c.delivered.is_(None),
                OUTBOX.c.dead.is_(False),
                sa.or_(OUTBOX.c.next_try <= now, OUTBOX.c.next_try > now + longest_wait_s),
            )
            .order_by(OUTBOX.c.id)
            .limit(1)
        )
        with self._state.transaction() as connection:
            row = connection.execute(wanted).one_or_none()
        return None if row is None else _waiting(row)

    def delivered(self, message: int, now: float) -> None:
        """Note that a target has taken a message."""
        self._update(message, delivered=now, error="")

    def failed(self, message: Waiting, *, reason: str, next_try: float) -> None:
        """Note a failed try and when the next one is."""
        self._update(message.id, attempts=message.attempts + 1, error=reason, next_try=next_try)

    def given_up(self, message: Waiting, *, reason: str, now: float, text: str) -> None:
        """Give a message up for good, with a line in the event ledger; both or neither."""
        with self._state.transaction() as connection:
            connection.execute(
                OUTBOX.update().where(OUTBOX.c.id == message.id).values(attempts=message.attempts + 1, error=reason, dead=True)
            )
            connection.execute(EVENTS.insert().values(time=now, loop="", kind="message-dead", text=text, old="", new=""))

    def dead(self, limit: int = 100) -> list[Waiting]:
        """Messages that were given up, newest first."""
        wanted = sa.select(OUTBOX).where(OUTBOX.c.dead.is_(True)).order_by(OUTBOX.c.id.desc()).limit(limit)
        with self._state.transaction() as connection:
            return [_waiting(row) for row in connection.execute(wanted)]

    def revive(self, now: float) -> int:
        """Let every message that was given up be tried again; returns how many."""
        with self._state.transaction() as connection:
            done = connection.execute(
                OUTBOX.update().where(OUTBOX.c.dead.is_(True)).values(dead=False, attempts=0, next_try=now)
            )
            return done.rowcount

    def revive_one(self, message: int, now: float) -> bool:
        """Let one message that was given up be tried again; whether there was one."""
        given_up = sa.and_(OUTBOX.c.id == message, OUTBOX.c.dead.is_(True))
        with self._state.transaction() as connection:
            done = connection.execute(OUTBOX.update().where(given_up).values(dead=False, attempts=0, next_try=now))
            return bool(done.rowcount)

    def waiting(self, limit: int = 100) -> list[Waiting]:
        """Messages that are to be delivered, oldest first."""
        wanted = (
            sa.select(OUTBOX).where(OUTBOX.c.delivered.is_(None), OUTBOX.c.dead.is_(False)).order_by(OUTBOX.c.id).limit(limit)
        )
        with self._state.transaction() as connection:
            return [_waiting(row) for row in connection.execute(wanted)]

    def tallies(self) -> dict[str, Tally]:
        """For each target how many messages wait, are dead and were delivered, and when the last one was delivered."""
        of = [
            OUTBOX.c.target,
            sa.func.sum(sa.case((sa.and_(OUTBOX.c.delivered.is_(None), OUTBOX.c.dead.is_(False)), 1), else_=0)),
            sa.func.sum(sa.case((OUTBOX.c.dead.is_(True), 1), else_=0)),
            sa.func.sum(sa.case((OUTBOX.c.delivered.is_not(None), 1), else_=0)),
            sa.func.max(OUTBOX.c.delivered),
        ]
        with self._state.transaction() as connection:
            rows = connection.execute(sa.select(*of).group_by(OUTBOX.c.target)).all()
        return {name: Tally(int(waits), int(dead), int(done), last) for name, waits, dead, done, last in rows}

    def post(self, *, key: str, target: str, message: str, now: float) -> int:
        """Put a message that is about no alert into the outbox; returns its number."""
        with self._state.transaction() as connection:
            done = connection.execute(
                OUTBOX.insert().values(
                    key=key, target=target, alert="", message=message, created=now, attempts=0, next_try=now, delivered=None,
                    dead=False, error="",
                )
            )  # fmt: skip
        assert done.inserted_primary_key is not None
        return int(done.inserted_primary_key[0])

    def backlog(self) -> dict[str, int]:
        """How many messages wait, and how many are dead."""
        wanted = sa.select(OUTBOX.c.dead, sa.func.count()).where(OUTBOX.c.delivered.is_(None)).group_by(OUTBOX.c.dead)
        with self._state.transaction() as connection:
            counted = {bool(dead): int(number) for dead, number in connection.execute(wanted)}
        return {"waiting": counted.get(False, 0), "dead": counted.get(True, 0)}

    def forget(self, before: float) -> int:
        """Remove delivered messages that are older than a time; returns how many."""
        with self._state.transaction() as connection:
            return connection.execute(OUTBOX.delete().where(OUTBOX.c.delivered < before)).rowcount

    def _update(self, message: int, **values: object) -> None:
        with self._state.transaction() as connection:
            connection.execute(OUTBOX.update().where(OUTBOX.c.id == message).values(**values))


def _waiting(row: sa.Row[tuple[object, ...]]) -> Waiting:
    return Waiting(
        id=row.id, key=row.key, target=row.target, alert=row.alert, message=row.message, created=row.created,
        attempts=row.attempts, next_try=row.next_try, error=row.error,
    )  # fmt: skip
