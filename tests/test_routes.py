"""Applications whose routes were read once are the same as one that reads them itself."""

from __future__ import annotations

import inspect
from typing import Annotated, Any

import httpx
import pytest
from fastapi import FastAPI, Query
from fastapi.dependencies import utils
from pydantic import BaseModel, TypeAdapter

from collector.clock import ManualClock
from collector.web.app import create_app
from tests.collector.web import plant
from tests.routes import RoutesReadOnce


def description() -> dict[str, Any]:
    app = create_app(plant.healthy(), plant.MemoryStore(), plant.MemoryDesk(), ManualClock(plant.NOW), port=8460)
    return app.openapi()


def test_application_is_described_alike_from_routes_that_were_read_before() -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("fastapi._compat.v2.TypeAdapter", TypeAdapter)
        patch.setattr(utils, "_get_signature", lambda call: inspect.signature(call, eval_str=True))
        plainly = description()
    with pytest.MonkeyPatch.context() as patch:
        RoutesReadOnce().install(patch)
        first, second = description(), description()
    assert plainly == first == second
    assert len(plainly["paths"]) > 20


def small(limit: int) -> FastAPI:
    app = FastAPI()

    class Given(BaseModel):
        name: str if limit > 1 else int  # type: ignore[valid-type]

    async def post(body: Given) -> dict[str, str]:
        return {"name": str(body.name)}

    async def get(n: Any = 0) -> int:
        return int(n)

    post.__annotations__["body"] = Given
    get.__annotations__["n"] = Annotated[int, Query(le=limit)]
    app.post("/x")(post)
    app.get("/x")(get)
    return app


async def test_models_and_limits_that_differ_under_one_name_are_kept_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    RoutesReadOnce().install(monkeypatch)
    answers = []
    for limit in (1, 5):
        transport = httpx.ASGITransport(app=small(limit))
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            answers += [(await client.post("/x", json={"name": "TB"})).status_code, (await client.get("/x?n=3")).status_code]
    assert answers == [422, 422, 200, 200]
