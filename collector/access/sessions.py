"""Who is signed in. Of a session only the hash of its id is kept; it ends when idle, after its longest time, or when told."""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass

import sqlalchemy as sa

from collector.clock import Clock
from collector.history.access_tables import ACCOUNTS, SESSIONS
from collector.history.state import StateDb

TOUCH_S = 15.0
"""How far the time of the last act may lag behind what is stored [s]; it saves a write a request."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A session of an active account. `left_s` is how long it still lasts if nothing is done [s]."""

    account: str
    role: str
    sha256: str
    made: float
    seen: float
    left_s: float


def hashed(secret: str) -> str:
    """SHA-256 of a random secret of 256 bits: it needs no salt, for it cannot be guessed."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()


def form_token(secret: str) -> str:
    """The token in the forms of a session: follows from its id, so it ends with it, and does not tell it."""
    return hashlib.sha256(b"form\n" + secret.encode("utf-8", "replace")).hexdigest()


class Sessions:
    """Sessions in the state database; `idle_s` and `longest_s` end them [s]."""

    def __init__(self, state: StateDb, clock: Clock, *, idle_s: float, longest_s: float) -> None:
        self._state, self._clock = state, clock
        self.idle_s, self.longest_s = idle_s, longest_s

    def begin(self, account: str, address: str) -> str:
        """A new session; returns its id, which is told once. What has run out is forgotten on the way."""
        secret, now = secrets.token_urlsafe(32), self._clock.now()
        table = SESSIONS.c
        with self._state.transaction() as connection:
            connection.execute(SESSIONS.delete().where((table.seen < now - self.idle_s) | (table.made < now - self.longest_s)))
            connection.execute(
                SESSIONS.insert().values(sha256=hashed(secret), account=account, address=address, made=now, seen=now)
            )
        return secret

    def find(self, secret: str, *, acts: bool) -> Session | None:
        """The session of an id, None where it has ended; `acts` is False for what a page asks by itself, which keeps none awake."""
        now, key = self._clock.now(), hashed(secret)
        wanted = (
            sa.select(SESSIONS, ACCOUNTS.c.role)
            .join(ACCOUNTS, ACCOUNTS.c.name == SESSIONS.c.account)
            .where(SESSIONS.c.sha256 == key, ACCOUNTS.c.disabled.is_(False))
        )
        with self._state.transaction() as connection:
            row = connection.execute(wanted).one_or_none()
            if row is None:
                return None
            # A clock that stepped back must not make a session longer than it may be.
            left = min(row.seen + self.idle_s, row.made + self.longest_s) - now
            if left <= 0.0 or row.made > now + TOUCH_S:
                connection.execute(SESSIONS.delete().where(SESSIONS.c.sha256 == key))
                return None
            if acts and now - row.seen > TOUCH_S:
                connection.execute(SESSIONS.update().where(SESSIONS.c.sha256 == key).values(seen=now))
                left = min(now + self.idle_s, row.made + self.longest_s) - now
        return Session(account=row.account, role=row.role, sha256=key, made=row.made, seen=row.seen, left_s=left)

    def end(self, secret: str) -> None:
        """End one session."""
        with self._state.transaction() as connection:
            connection.execute(SESSIONS.delete().where(SESSIONS.c.sha256 == hashed(secret)))

    def end_others(self, account: str, secret: str = "") -> int:
        """End the sessions of an account but this one; returns how many."""
        gone = SESSIONS.delete().where(SESSIONS.c.account == account, SESSIONS.c.sha256 != hashed(secret))
        with self._state.transaction() as connection:
            return connection.execute(gone).rowcount

    def count(self, account: str) -> int:
        """How many sessions of an account last."""
        now, table = self._clock.now(), SESSIONS.c
        wanted = (
            sa.select(sa.func.count())
            .select_from(SESSIONS)
            .where(table.account == account, table.seen > now - self.idle_s, table.made > now - self.longest_s)
        )
        with self._state.transaction() as connection:
            found: int = connection.execute(wanted).scalar_one()
        return found
