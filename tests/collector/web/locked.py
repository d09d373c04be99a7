"""The application with accounts, one of each role, as tests ask it: over a state database of its own and a fabricated plant."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import httpx
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts

from collector.access.desk import Access
from collector.access.passwords import Argon2
from collector.access.roles import Role, Scope, Who
from collector.access.sessions import form_token
from collector.clock import ManualClock
from collector.history.state import StateDb
from collector.live import LiveState
from collector.web.app import create_app
from config.web import Web
from tests.collector.web import plant

QUICK = Argon2(time_cost=1, memory_cost=8, parallelism=1)
PASSWORD = "potash on the belt of {}"
NAMES = {Role.VIEWER: "weber", Role.OPERATOR: "sandhu", Role.ENGINEER: "okafor", Role.ADMIN: "ortega"}
CONSOLE = Who(name="root", role=Role.ADMIN, kind="terminal", address="terminal")
HOST = "weighers.example.com"


def password_of(role: Role) -> str:
    return PASSWORD.format(role.value)


@dataclass
class Locked:
    """The application, its books and whatever was made over it."""

    app: FastAPI
    access: Access
    live: LiveState
    desk: plant.MemoryDesk
    store: plant.MemoryStore
    clock: ManualClock
    state: StateDb
    base: str
    address: str = "192.0.2.50"
    _secrets: dict[Role, str] = field(default_factory=dict)

    @property
    def cookie(self) -> str:
        return "__Host-tallywire" if self.base.startswith("https") else "tallywire"

    def client(
        self, role: Role | None = None, *, session: str = "", more: Mapping[str, str] | None = None, **headers: str
    ) -> httpx.AsyncClient:
        """A browser: signed in with a role where one is named."""
        transport = httpx.ASGITransport(app=self.app, raise_app_exceptions=False, client=(self.address, 40_000))
        secret = session or (self.session(role) if role is not None else "")
        cookies = {"Cookie": f"{self.cookie}={secret}"} if secret else {}
        sent = {"Accept": "text/html", "Origin": self.base, **cookies, **headers, **(more or {})}
        return httpx.AsyncClient(transport=transport, base_url=self.base, headers=sent)

    def session(self, role: Role) -> str:
        """A session of a role, begun once."""
        if role not in self._secrets or self.access.sessions.find(self._secrets[role], acts=True) is None:
            self._secrets[role] = self.access.sessions.begin(NAMES[role], self.address)
        return self._secrets[role]

    def form(self, signed_in: Role, /, **fields: str) -> dict[str, str]:
        """Fields of a form with the token of that session."""
        return {"token": form_token(self.session(signed_in)), **fields}

    def token(self, *scopes: Scope, days: float = 30.0) -> str:
        """The secret of a new API token."""
        return self.access.tokens.add("scraper", scopes, days, by=CONSOLE)[1]

    async def get(
        self, path: str, role: Role | None = None, *, more: Mapping[str, str] | None = None, **headers: str
    ) -> httpx.Response:
        async with self.client(role, more=more, **headers) as client:
            return await client.get(path)

    async def post(self, path: str, role: Role | None = None, **sent: object) -> httpx.Response:
        async with self.client(role) as client:
            return await client.post(path, **sent)  # type: ignore[arg-type]

    def entries(self) -> int:
        """How many entries the audit log has."""
        return len(self.access.log.newest(most=10_000))


def locked_app(folder: Path, web: Web | None = None, *, accounts: bool = True, folder_of_checks: Path | None = None) -> Locked:
    """Everything over a fresh state database in a folder; TLS and a name by default."""
    web = web or Web(host="0.0.0.0", names=(HOST,), certificate=folder / "c.pem", key=folder / "k.pem")
    state, clock = StateDb(folder / "state.db"), ManualClock(plant.NOW)
    access = Access.open(state, clock, web, QUICK)
    live = plant.faulty()
    live.site = live.site.model_copy(update={"web": web})
    if accounts:
        for role in reversed(Role):
            access.accounts.add(NAMES[role], role, password_of(role), by=CONSOLE)
    desk, store = plant.MemoryDesk(plant.alert()), plant.MemoryStore()
    app = create_app(live, store, desk, clock, port=8460, access=access, folder=folder_of_checks)
    base = f"https://{HOST}:8460" if web.encrypted else "http://127.0.0.1:8460"
    return Locked(app, access, live, desk, store, clock, state, base)


def every_route(app: FastAPI) -> list[tuple[str, str]]:
    """Method and path of each route that an application serves, also of those in routers that it includes."""
    return sorted({
        (method, route.path) for route in iter_route_contexts(app.routes) if route.path is not None
        for method in route.methods or ()
    })  # fmt: skip
