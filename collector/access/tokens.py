"""What programs show to REST: random tokens with scopes and an end, of which only the hash is kept."""

from __future__ import annotations

import secrets
from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from collector.access import audit
from collector.access.accounts import NAME, NAME_RULE
from collector.access.audit import Action
from collector.access.roles import Scope, Who
from collector.access.sessions import hashed
from collector.clock import Clock
from collector.history.access_tables import API_TOKENS
from collector.history.state import StateDb
from config.errors import TallywireError

PREFIX = "tw_"
"""Begin of every token, so that a scanner of secrets knows one where it lies about."""
LONGEST_DAYS = 400
DAY_S = 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Token:
    """A token without its secret. Times [epoch s]; `revoked` None while it is not."""

    id: int
    name: str
    scopes: frozenset[Scope]
    made: float
    made_by: str
    expires: float
    revoked: float | None

    def lasts(self, now: float) -> bool:
        """Whether it opens anything at a time."""
        return self.revoked is None and now < self.expires


class TokenBook:
    """Tokens in the state database; every change is entered in the audit log in the same transaction."""

    def __init__(self, state: StateDb, clock: Clock) -> None:
        self._state, self._clock = state, clock

    def add(self, name: str, scopes: Collection[Scope], days: float, *, by: Who) -> tuple[Token, str]:
        """A new token and its secret, which is told once."""
        name = name.strip()
        if not NAME.fullmatch(name):
            raise TallywireError("this is no name for a token", where="name", fix=NAME_RULE)
        if not scopes:
            raise TallywireError("the token has no scope", where="scope", fix=f"one or more of {', '.join(Scope)}")
        if not 0 < days <= LONGEST_DAYS:
            raise TallywireError(
                "the token needs an end",
                where="days",
                fix=f"days from above 0 to {LONGEST_DAYS}; make a new one before it ends",
            )
        secret, now = PREFIX + secrets.token_urlsafe(32), self._clock.now()
        words = " ".join(scope.value for scope in Scope if scope in scopes)
        row = {
            "name": name,
            "sha256": hashed(secret),
            "scopes": words,
            "made": now,
            "made_by": by.name,
            "expires": now + days * DAY_S,
        }
        with self._state.transaction() as connection:
            key = connection.execute(API_TOKENS.insert().values(row)).inserted_primary_key
            assert key is not None
            new = {"scopes": words, "ends": _iso(now + days * DAY_S), "number": key[0]}
            audit.add(connection, self._action("token added", by, name, new=new))
            made = connection.execute(sa.select(API_TOKENS).where(API_TOKENS.c.id == key[0])).one()
        return _token(made), secret

    def all(self) -> list[Token]:
        """Every token, newest first."""
        with self._state.transaction() as connection:
            return [_token(row) for row in connection.execute(sa.select(API_TOKENS).order_by(API_TOKENS.c.id.desc()))]

    def find(self, secret: str) -> Token | None:
        """The token with this secret, None where there is none or it has ended."""
        if not secret.startswith(PREFIX):
            return None
        with self._state.transaction() as connection:
            row = connection.execute(sa.select(API_TOKENS).where(API_TOKENS.c.sha256 == hashed(secret))).one_or_none()
        found = None if row is None else _token(row)
        return found if found is not None and found.lasts(self._clock.now()) else None

    def revoke(self, number: int, *, by: Who) -> Token:
        """End a token now."""
        with self._state.transaction() as connection:
            wanted = sa.select(API_TOKENS).where(API_TOKENS.c.id == number)
            row = connection.execute(wanted).one_or_none() if 1 <= number < 2**62 else None
            if row is None:
                raise TallywireError(f"there is no token {number}", where="token", fix="take the number from the list")
            if row.revoked is None:
                now = self._clock.now()
                connection.execute(API_TOKENS.update().where(API_TOKENS.c.id == number).values(revoked=now))
                audit.add(connection, self._action("token revoked", by, row.name, new={"number": number}))
            made = connection.execute(sa.select(API_TOKENS).where(API_TOKENS.c.id == number)).one()
        return _token(made)

    def _action(self, what: str, by: Who, name: str, new: dict[str, Any]) -> Action:
        return Action(time=self._clock.now(), who=by.name, kind=by.kind, address=by.address, what=what, subject=name, new=new)


def _token(row: sa.Row[Any]) -> Token:
    scopes = frozenset(Scope(word) for word in row.scopes.split())
    return Token(
        id=row.id, name=row.name, scopes=scopes, made=row.made, made_by=row.made_by, expires=row.expires, revoked=row.revoked
    )


def _iso(time: float) -> str:
    return datetime.fromtimestamp(time, UTC).isoformat(timespec="seconds")
