"""The book of accounts: people, their roles and passwords. Every change is entered in the audit log in the same transaction."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from collector.access import audit
from collector.access.audit import Action
from collector.access.passwords import Argon2, Hasher, require_good
from collector.access.roles import Role, Who
from collector.clock import Clock
from collector.history.access_tables import ACCOUNTS, SESSIONS
from collector.history.state import StateDb
from collector.history.statements import one_at_a_time
from config.errors import StoreError, TallywireError

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{1,39}")
ASKED_AGAIN_S = 5.0
"""How old the answer that there is no account may be [s]: another service on the same history may have added one."""
NAME_RULE = "2 to 40 letters, digits, dots, _ or -, beginning with a letter or a digit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """A person. Times [epoch s]."""

    name: str
    role: Role
    made: float
    changed: float
    disabled: bool


class AccountBook:
    """Accounts in the state database. Calls raise StoreError where the disk refuses them, TallywireError where a rule does.

    Names are kept as typed and compared without regard to capitals. The first account is an admin, and the last active admin
    stays one: nobody is locked out for ever.
    """

    def __init__(self, state: StateDb, clock: Clock, hasher: Hasher | None = None) -> None:
        self._state, self._clock = state, clock
        self._hasher = hasher or Argon2()
        self._nobody = ""
        self._some, self._asked = False, float("-inf")

    def any(self) -> bool:
        """Whether any account exists, active or not: from then on everybody signs in."""
        if not self._some and self._clock.monotonic() - self._asked > ASKED_AGAIN_S:
            try:
                with self._state.transaction() as connection:
                    self._some = connection.execute(sa.select(sa.func.count()).select_from(ACCOUNTS)).scalar_one() > 0
            except StoreError:
                if math.isinf(self._asked):
                    raise  # it was never known; else a database that is away changes nothing
            self._asked = self._clock.monotonic()
        return self._some

    def all(self) -> list[Account]:
        """Every account by name."""
        with self._state.transaction() as connection:
            rows = connection.execute(sa.select(ACCOUNTS).order_by(sa.func.lower(ACCOUNTS.c.name))).all()
        return [_account(row) for row in rows]

    def find(self, name: str) -> Account | None:
        """One account by name."""
        with self._state.transaction() as connection:
            row = _row(connection, name)
        return None if row is None else _account(row)

    def check(self, name: str, password: str) -> Account | None:
        """The account with this name and password, None where there is none or it is disabled; takes as long either way."""
        with self._state.transaction() as connection:
            row = _row(connection, name)
        hashed = self._a_hash() if row is None else row.password
        fits = self._hasher.verify(password, hashed)
        return _account(row) if fits and row is not None and not row.disabled else None

    def add(self, name: str, role: Role, password: str, *, by: Who) -> Account:
        """Make an account; its name was never used before."""
        name = name.strip()
        if not NAME.fullmatch(name):
            raise TallywireError("this is no name for an account", where="name", fix=NAME_RULE)
        hashed = self._hasher.hash(require_good(password, name))
        with self._change("account added", by, name, {}, {"role": role.value}) as connection:
            if _row(connection, name) is not None:
                raise TallywireError(f"there is an account {name!r} already", where="name", fix="choose another name")
            first = connection.execute(sa.select(sa.func.count()).select_from(ACCOUNTS)).scalar_one() == 0
            if first and role is not Role.ADMIN:
                raise TallywireError("the first account must be an admin", where="role", fix="add an admin first, then others")
            now = self._clock.now()
            connection.execute(
                ACCOUNTS.insert().values(name=name, role=role.value, password=hashed, made=now, changed=now, disabled=False)
            )
        self._some = True
        return self._known(name)

    def set_role(self, name: str, role: Role, *, by: Who) -> Account:
        """Give an account another role; it holds from its next request on."""
        found = self._known(name)
        with self._change("role changed", by, found.name, {"role": found.role.value}, {"role": role.value}) as connection:
            if role is not Role.ADMIN:
                _keep_an_admin(connection, found)
            _set(connection, found, self._clock.now(), role=role.value)
        return self._known(name)

    def set_password(self, name: str, password: str, *, by: Who) -> Account:
        """Give an account another password; whoever is signed in with it must do so again."""
        found = self._known(name)
        hashed = self._hasher.hash(require_good(password, found.name))
        with self._change("password changed", by, found.name, {}, {}) as connection:
            _set(connection, found, self._clock.now(), password=hashed)
            _end_sessions(connection, found)
        return self._known(name)

    def set_disabled(self, name: str, disabled: bool, *, by: Who) -> Account:
        """Disable an account and end its sessions, or enable it again."""
        found = self._known(name)
        what = "account disabled" if disabled else "account enabled"
        with self._change(what, by, found.name, {"disabled": found.disabled}, {"disabled": disabled}) as connection:
            if disabled:
                _keep_an_admin(connection, found)
                _end_sessions(connection, found)
            _set(connection, found, self._clock.now(), disabled=disabled)
        return self._known(name)

    def _known(self, name: str) -> Account:
        found = self.find(name)
        if found is None:
            raise TallywireError(f"there is no account {name!r}", where="name", fix="see the list of accounts")
        return found

    def _a_hash(self) -> str:
        """A hash that no password has, so that an unknown name takes as long as a wrong password."""
        if not self._nobody:
            self._nobody = self._hasher.hash("of nobody, and nobody can type it \x00")
        return self._nobody

    @contextmanager
    def _change(self, what: str, by: Who, subject: str, old: dict[str, Any], new: dict[str, Any]) -> Iterator[sa.Connection]:
        with self._state.transaction() as connection:
            one_at_a_time(connection, "accounts")
            yield connection
            audit.add(
                connection,
                Action(
                    time=self._clock.now(), who=by.name, kind=by.kind, address=by.address, what=what, subject=subject, old=old,
                    new=new,
                ),
            )  # fmt: skip


def _row(connection: sa.Connection, name: str) -> sa.Row[Any] | None:
    if not NAME.fullmatch(name.strip()):
        return None
    wanted = sa.select(ACCOUNTS).where(sa.func.lower(ACCOUNTS.c.name) == name.strip().lower())
    return connection.execute(wanted).one_or_none()


def _account(row: sa.Row[Any]) -> Account:
    return Account(name=row.name, role=Role(row.role), made=row.made, changed=row.changed, disabled=bool(row.disabled))


def _set(connection: sa.Connection, account: Account, now: float, **values: object) -> None:
    connection.execute(ACCOUNTS.update().where(ACCOUNTS.c.name == account.name).values(changed=now, **values))


def _end_sessions(connection: sa.Connection, account: Account) -> None:
    connection.execute(SESSIONS.delete().where(SESSIONS.c.account == account.name))


def _keep_an_admin(connection: sa.Connection, account: Account) -> None:
    others = sa.select(sa.func.count()).select_from(ACCOUNTS).where(
        ACCOUNTS.c.role == Role.ADMIN.value, ACCOUNTS.c.disabled.is_(False), ACCOUNTS.c.name != account.name
    )  # fmt: skip
    if account.role is Role.ADMIN and not account.disabled and connection.execute(others).scalar_one() == 0:
        raise TallywireError(
            f"{account.name} is the last admin", where="role", fix="make another account an admin first"
        )  # fmt: skip
