"""REST against its own description: no request that fits the document breaks the service or gets an answer that is not in it.

Requests are made from the document by a library for that (schemathesis); the application is fed with an hour of the simulated
terminal, with a fault in it. A share of the examples in every run, many more in the full one; the seed is fixed.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from collector.access.desk import Access
from collector.access.roles import Role
from collector.history.state import StateDb
from collector.web.app import create_app
from config.web import Web
from tests import FULL
from tests.acceptance.simulated import Order
from tests.browser.populated import populate
from tests.collector.web.locked import CONSOLE, NAMES, QUICK, password_of

EXAMPLES = 100 if FULL else 2
BASE = "http://127.0.0.1:8460"
TOLD = 503
"""The one 5xx that is an answer: what is asked for is not there yet, and `detail` says what."""


@dataclass
class Fed:
    """The application, how to ask it, and its description."""

    client: httpx.AsyncClient
    runner: asyncio.Runner
    schema: schemathesis.BaseSchema


@pytest.fixture(scope="module")
def fed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fed]:
    folder = tmp_path_factory.mktemp("fed")
    past = populate(folder / "past", 1, faults={"TB-07": (Order(900, "zero-counts"),)})
    state = StateDb(folder / "access.db")
    access = Access.open(state, past.clock, Web(), QUICK)
    access.accounts.add(NAMES[Role.ADMIN], Role.ADMIN, password_of(Role.ADMIN), by=CONSOLE)
    session = access.sessions.begin(NAMES[Role.ADMIN], "127.0.0.1")
    app = create_app(
        past.live, past.store, past.desk, past.clock, port=8460, records=past.records, folder=folder, access=access
    )
    transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
    headers = {"Cookie": f"tallywire={session}", "Origin": BASE}
    with asyncio.Runner() as runner:
        client = httpx.AsyncClient(transport=transport, base_url=BASE, headers=headers)
        document = runner.run(client.get("/api/openapi.json")).json()
        yield Fed(client, runner, schemathesis.openapi.from_dict(document))
        runner.run(client.aclose())
    app.state.exports.close()
    state.close()
    past.store.close()


@pytest.mark.parametrize("mode", [schemathesis.GenerationMode.POSITIVE, schemathesis.GenerationMode.NEGATIVE])
def test_no_request_breaks_the_service_and_every_answer_is_described(fed: Fed, mode: schemathesis.GenerationMode) -> None:
    """Requests that fit the document, and such as do not; every operation in turn."""
    walked, broken = 0, []
    for found in fed.schema.get_all_operations():
        operation = found.ok()  # type: ignore[union-attr]
        walked += 1

        @settings(
            max_examples=EXAMPLES, deadline=None, database=None, derandomize=True, phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        @given(case=operation.as_strategy(generation_mode=mode))
        def ask(case: schemathesis.Case[Any]) -> None:
            answer = fed.runner.run(send(fed.client, case))
            checks = [
                status_code_conformance,
                content_type_conformance,
                response_schema_conformance,
                response_headers_conformance,
            ]
            if answer.status_code != TOLD:
                checks.append(not_a_server_error)
            case.validate_response(answer, checks=checks)

        try:
            ask()
        except BaseExceptionGroup as error:
            broken += [f"{operation.label}: {' '.join((str(one) or repr(one)).split())}" for one in error.exceptions]
    assert walked > 60
    assert broken == [], "\n".join(broken)


async def send(client: httpx.AsyncClient, case: schemathesis.Case[Any]) -> httpx.Response:
    """Send one made-up request, whole: what HTTP itself cannot carry the client would refuse."""
    made = case.as_transport_kwargs(base_url=BASE)
    headers = {name: value for name, value in made["headers"].items() if name.lower() not in {"cookie", "connection"}}
    content = {name: made[name] for name in ("json", "data", "content") if made.get(name) is not None}
    if isinstance(content.get("data"), bytes | str):
        content["content"] = content.pop("data")
    return await client.request(made["method"], made["url"], params=made.get("params") or {}, headers=headers, **content)
