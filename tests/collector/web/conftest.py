"""The application with a fabricated plant, asked in the process."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import httpx
import pytest
from fastapi import FastAPI

from collector.clock import ManualClock
from collector.live import LiveState
from collector.web.app import create_app
from tests.collector.web import plant

BASE = "http://127.0.0.1:8460"


@dataclass
class Served:
    app: FastAPI
    live: LiveState
    desk: plant.MemoryDesk
    store: plant.MemoryStore
    clock: ManualClock

    def client(self, **headers: str) -> httpx.AsyncClient:
        transport = httpx.ASGITransport(app=self.app, raise_app_exceptions=False)
        return httpx.AsyncClient(transport=transport, base_url=BASE, headers={"Accept": "text/html", **headers})

    async def get(self, path: str, **headers: str) -> httpx.Response:
        async with self.client(**headers) as client:
            return await client.get(path)

    async def post(self, path: str, **sent: object) -> httpx.Response:
        async with self.client(Origin=BASE) as client:
            return await client.post(path, **sent)  # type: ignore[arg-type]

    def form(self, **fields: str) -> dict[str, str]:
        return {"token": self.app.state.guard.token, **fields}


Serve = Callable[..., Served]


@pytest.fixture
def serve() -> Serve:
    def start(live: LiveState, desk: plant.MemoryDesk | None = None, *, history: bool = True) -> Served:
        clock = ManualClock(plant.NOW)
        store = plant.MemoryStore()
        desk = desk or plant.MemoryDesk()
        app = create_app(live, store if history else None, desk, clock, port=8460)
        return Served(app, live, desk, store, clock)

    return start
