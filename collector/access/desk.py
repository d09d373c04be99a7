"""Everything that the door asks: accounts, sessions, tokens, delays and the log, over one state database."""

from __future__ import annotations

from dataclasses import dataclass

from collector.access.accounts import Account, AccountBook
from collector.access.audit import Action, AuditLog
from collector.access.passwords import Hasher
from collector.access.roles import Role, Scope, Who, of_scopes
from collector.access.sessions import Session, Sessions, form_token
from collector.access.throttle import Throttle
from collector.access.tokens import Token, TokenBook
from collector.clock import Clock
from collector.history.state import StateDb
from config.web import Web


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """The books. Calls are synchronous and short; the web runs them off the loop."""

    accounts: AccountBook
    sessions: Sessions
    tokens: TokenBook
    log: AuditLog
    throttle: Throttle
    clock: Clock

    @classmethod
    def open(cls, state: StateDb, clock: Clock, web: Web, hasher: Hasher | None = None) -> Access:
        """The books of a state database, with the ends of sessions that the site file states."""
        return cls(
            accounts=AccountBook(state, clock, hasher),
            sessions=Sessions(state, clock, idle_s=web.session_idle, longest_s=web.session_longest),
            tokens=TokenBook(state, clock),
            log=AuditLog(state),
            throttle=Throttle(clock),
            clock=clock,
        )

    def by_session(self, secret: str, address: str, *, acts: bool) -> tuple[Who, Session] | None:
        """Whoever is signed in with a session, None where it has ended."""
        found = self.sessions.find(secret, acts=acts)
        if found is None:
            return None
        who = Who(
            name=found.account, role=Role(found.role), kind="account", address=address, form_token=form_token(secret),
            session=secret,
        )  # fmt: skip
        return who, found

    def by_token(self, secret: str, address: str) -> Who | None:
        """The program that shows a token, None where the token opens nothing."""
        found = self.tokens.find(secret)
        return None if found is None else of_token(found, address)

    def sign_in(self, name: str, password: str, address: str, *, old_session: str = "") -> tuple[Account, str] | None:
        """Sign somebody in: a session with a new id, and the end of the one that the browser had. None where it does not fit.

        Both ways are entered in the log. A name that is none is not: people type passwords into that field.
        """
        self.throttle.failed(name, address)  # counted before the hash is computed, else many tries at once would not be
        found = self.accounts.check(name, password)
        if found is None:
            known = self.accounts.find(name)
            self._enter("sign-in refused", "" if known is None else known.name, address)
            return None
        self.throttle.succeeded(name, address)
        if old_session:
            self.sessions.end(old_session)
        secret = self.sessions.begin(found.name, address)
        self._enter("signed in", found.name, address)
        return found, secret

    def sign_out(self, who: Who) -> None:
        """End a session."""
        self.sessions.end(who.session)
        self._enter("signed out", who.name, who.address)

    def admins(self) -> list[str]:
        """Names of the active admins, whom people can ask."""
        return [account.name for account in self.accounts.all() if account.role is Role.ADMIN and not account.disabled]

    def _enter(self, what: str, name: str, address: str) -> None:
        self.log.add(Action(time=self.clock.now(), who=name, kind="account", address=address, what=what, subject=name))


def of_token(token: Token, address: str) -> Who:
    """Who asks with a token."""
    return Who(
        name=token.name, role=of_scopes(token.scopes), kind="token", address=address,
        metrics=bool(token.scopes & {Scope.METRICS, Scope.READ, Scope.OPERATE, Scope.ENGINEER}),
    )  # fmt: skip
