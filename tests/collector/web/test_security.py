from __future__ import annotations

import asyncio
import re

import httpx
import pytest
from starlette.responses import PlainTextResponse
from starlette.types import Message, Receive, Scope, Send

from collector.web.limits import BODY_LIMIT, Limits
from collector.web.security import HEADERS, Guard, split_host
from tests.collector.web import plant
from tests.collector.web.conftest import BASE, Serve

PAGES = ("/", "/fragment", "/loops/TB-07", "/loops/TB-07/fragment", "/alerts", "/alerts/fragment", "/tags", "/tags/fragment")


@pytest.mark.parametrize(
    ("value", "found"),
    [
        ("127.0.0.1:8460", ("127.0.0.1", 8460)),
        ("Localhost", ("localhost", None)),
        ("[::1]:8460", ("[::1]", 8460)),
        ("[::1]", ("[::1]", None)),
        ("[::1", None),
        ("[::1]x", None),
        ("localhost:84a", None),
        ("", ("", None)),
    ],
)
def test_host_header_is_split(value: str, found: tuple[str, int | None] | None) -> None:
    assert split_host(value) == found


@pytest.mark.parametrize(
    "host", ["example.org", "127.0.0.1:9999", "127.0.0.1", "evil.test:8460", "[::1", "127.0.0.1.evil.test:8460"]
)
async def test_wrong_host_is_refused(serve: Serve, host: str) -> None:
    answer = await serve(plant.healthy()).get("/", Host=host)
    assert answer.status_code == 400


@pytest.mark.parametrize("host", ["127.0.0.1:8460", "localhost:8460", "[::1]:8460"])
async def test_own_hosts_are_served(serve: Serve, host: str) -> None:
    assert (await serve(plant.healthy()).get("/", Host=host)).status_code == 200


def test_unknown_port_accepts_any_port_but_no_other_name() -> None:
    guard = Guard()
    assert guard.knows_host("127.0.0.1:41234")
    assert not guard.knows_host("example.org:41234")


@pytest.mark.parametrize(
    "origin", ["http://example.org", "null", "https://127.0.0.1:8460", "http://127.0.0.1:8461", "http://localhost:8460"]
)
@pytest.mark.parametrize("path", ["/alerts/{id}/acknowledge", "/api/v1/alerts/{id}/acknowledge"])
async def test_wrong_origin_changes_nothing(serve: Serve, origin: str, path: str) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    async with served.client(Origin=origin) as client:
        answer = await client.post(path.format(id=plant.alert().id), data=served.form(name="A. Person"))
    assert answer.status_code == 403
    assert len(served.desk.log) == 1


async def test_form_without_origin_is_refused_and_json_without_origin_is_not(serve: Serve) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    async with served.client() as client:
        form = await client.post(f"/alerts/{plant.alert().id}/acknowledge", data=served.form(name="A. Person"))
        bare = await client.post(f"/api/v1/alerts/{plant.alert().id}/acknowledge", data={"by": "A. Person"})
        json = await client.post(f"/api/v1/alerts/{plant.alert().id}/acknowledge", json={"by": "A. Person"})
    assert (form.status_code, bare.status_code, json.status_code) == (403, 403, 200)


async def test_wrong_token_changes_nothing(serve: Serve) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    answer = await served.post(f"/alerts/{plant.alert().id}/acknowledge", data={"name": "A. Person", "token": "guess"})
    assert answer.status_code == 403
    assert len(served.desk.log) == 1


@pytest.mark.parametrize("action", ["acknowledge", "shelve", "unshelve"])
@pytest.mark.parametrize("prefix", ["", "/api/v1"])
async def test_no_action_by_get(serve: Serve, action: str, prefix: str) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    answer = await served.get(f"{prefix}/alerts/{plant.alert().id}/{action}")
    assert answer.status_code == 405
    assert len(served.desk.log) == 1


async def test_large_body_is_refused(serve: Serve) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    path = f"/alerts/{plant.alert().id}/acknowledge"
    just = await served.post(path, content=b"x" * BODY_LIMIT)
    above = await served.post(path, content=b"x" * (BODY_LIMIT + 1))
    assert (just.status_code, above.status_code) == (403, 413)


@pytest.mark.parametrize("path", [*PAGES, "/nothing", "/static/live.js", "/metrics", "/api/v1/site", "/api/v1/nothing"])
async def test_security_headers_are_on_every_answer(serve: Serve, path: str) -> None:
    answer = await serve(plant.faulty()).get(path)
    assert {name: answer.headers[name] for name in HEADERS} == HEADERS
    assert "cache-control" in answer.headers


@pytest.mark.parametrize("path", PAGES)
async def test_pages_hold_no_inline_script_or_style_and_no_foreign_address(serve: Serve, path: str) -> None:
    text = (await serve(plant.faulty(), plant.MemoryDesk(plant.alert())).get(path)).text
    assert "style=" not in text
    assert "<style" not in text
    assert re.search(r"\son[a-z]+=", text) is None
    assert text.count("<script") == text.count('<script src="/static/')
    assert "http" not in text.replace("http-equiv", "")


async def test_slow_request_ends_with_one_message() -> None:
    async def slow(scope: Scope, receive: Receive, send: Send) -> None:
        await asyncio.Event().wait()

    def refuse(scope: Scope, status: int, what: str, fix: str) -> PlainTextResponse:
        return PlainTextResponse(what, status)

    gate = Limits(slow, refuse=refuse, time_limit=0.01)
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app=gate), base_url=BASE) as client:
        answer = await client.get("/")
    assert (answer.status_code, answer.text) == (503, "the request took longer than 0.01 s")


async def test_answer_that_was_held_back_for_too_long_gives_way_to_one_message() -> None:
    """The door holds an answer until its audit entry is written; a disk that hangs there must not end as an internal error."""
    sent: list[Message] = []

    async def holding(message: Message) -> None:
        if message["type"] == "http.response.start" and message["status"] == 200:
            await asyncio.Event().wait()
        sent.append(message)

    async def receive() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    def refuse(scope: Scope, status: int, what: str, fix: str) -> PlainTextResponse:
        return PlainTextResponse(what, status)

    gate = Limits(PlainTextResponse("done"), refuse=refuse, time_limit=0.01)
    await gate({"type": "http", "method": "GET", "path": "/", "headers": []}, receive, holding)
    assert [message.get("status") for message in sent] == [503, None]


async def test_body_that_never_ends_is_cut_off() -> None:
    sent: list[Message] = []

    async def receive() -> Message:
        await asyncio.Event().wait()
        raise AssertionError

    async def send(message: Message) -> None:
        sent.append(message)

    def refuse(scope: Scope, status: int, what: str, fix: str) -> PlainTextResponse:
        return PlainTextResponse(what, status)

    async def unreached(scope: Scope, receive: Receive, send: Send) -> None:
        raise AssertionError

    gate = Limits(unreached, refuse=refuse, time_limit=0.01)
    scope: Scope = {
        "type": "http",
        "method": "POST",
        "path": "/api/v1/alerts/x/acknowledge",
        "headers": [(b"host", b"127.0.0.1:8460"), (b"content-type", b"application/json")],
    }
    await gate(scope, receive, send)
    assert sent[0]["status"] == 503
