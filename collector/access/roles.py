"""What people and programs may do: roles of accounts, scopes of tokens, and who is asking."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """Role of an account; each may do what the one before may, and more."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    ENGINEER = "engineer"
    ADMIN = "admin"

    @property
    def rank(self) -> int:
        """0 for the least."""
        return list(Role).index(self)

    @property
    def may(self) -> str:
        """What it adds, for people."""
        return MAY[self]


MAY = {
    Role.VIEWER: "reads everything",
    Role.OPERATOR: "acknowledges, shelves, annotates, runs checks, verifies files",
    Role.ENGINEER: "makes and restates records, closes totals, calibrates, takes out of service",
    Role.ADMIN: "manages accounts and tokens, reads the audit log",
}


class Scope(StrEnum):
    """What an API token may do. None reaches accounts: those are for people."""

    METRICS = "metrics"
    READ = "read"
    OPERATE = "operate"
    ENGINEER = "engineer"


_ROLE_OF = {Scope.READ: Role.VIEWER, Scope.OPERATE: Role.OPERATOR, Scope.ENGINEER: Role.ENGINEER}


@dataclass(frozen=True, slots=True, kw_only=True)
class Who:
    """Who asks. `name` is '' where nobody had to sign in; `metrics` allows metrics and health beside what `role` allows."""

    name: str = ""
    role: Role | None = None
    kind: str = "nobody"
    address: str = ""
    form_token: str = ""
    session: str = ""
    metrics: bool = False

    def may(self, role: Role) -> bool:
        """Whether the own role reaches so far."""
        return self.role is not None and self.role.rank >= role.rank

    @property
    def signed_in(self) -> bool:
        """Whether an account or a token stands behind it, so that no name is asked for."""
        return bool(self.name)


def of_scopes(scopes: frozenset[Scope]) -> Role | None:
    """The role that the scopes of a token add up to, None where they only read metrics."""
    roles = [_ROLE_OF[scope] for scope in scopes if scope in _ROLE_OF]
    return max(roles, key=lambda role: role.rank, default=None)
