"""Books of accounts, sessions and tokens over a state database of their own, with a hasher that is quick."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from collector.access.accounts import AccountBook
from collector.access.audit import AuditLog
from collector.access.passwords import Argon2
from collector.access.roles import Role, Who
from collector.access.sessions import Sessions
from collector.access.tokens import TokenBook
from collector.clock import ManualClock
from collector.history.postgres_state import PostgresState
from collector.history.state import StateDb
from tests.postgres import Server

QUICK = Argon2(time_cost=1, memory_cost=8, parallelism=1)
GOOD = "potash on the belt"
CONSOLE = Who(name="root", role=Role.ADMIN, kind="terminal", address="this machine")


@dataclass
class Books:
    state: StateDb
    clock: ManualClock
    accounts: AccountBook
    sessions: Sessions
    tokens: TokenBook
    log: AuditLog


@pytest.fixture(params=["sqlite", "postgres"])
def books(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Books]:
    """On each kind of database, one after the other."""
    state: StateDb
    if request.param == "postgres":
        server: Server = request.getfixturevalue("postgres_server")
        state = PostgresState(server.database(7))
    else:
        state = StateDb(tmp_path / "state.db")
    clock = ManualClock()
    yield Books(
        state, clock, AccountBook(state, clock, QUICK), Sessions(state, clock, idle_s=1800, longest_s=43200),
        TokenBook(state, clock), AuditLog(state),
    )  # fmt: skip
    state.close()
