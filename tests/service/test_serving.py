"""Serving: loopback only, port 0, an end in time even with a stream open."""

from __future__ import annotations

import asyncio
import socket
from types import SimpleNamespace

import httpx
import pytest
from fastapi import FastAPI
from starlette.responses import StreamingResponse

from collector.service.serving import Serving, bind
from config.errors import AddressError
from tests.service.waiting import SOON


def app() -> FastAPI:
    found = FastAPI()
    ended = asyncio.Event()
    found.state.streams = SimpleNamespace(close=ended.set)
    found.state.exports = SimpleNamespace(close=lambda: None)

    @found.get("/")
    async def page() -> str:
        return "page"

    @found.get("/events")
    async def events() -> StreamingResponse:
        async def stream() -> object:
            yield b"data: 1\n\n"
            await ended.wait()

        return StreamingResponse(stream())  # type: ignore[arg-type]

    return found


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "terminal.example", ""])
def test_address_other_than_loopback_is_refused(host: str) -> None:
    with pytest.raises(AddressError) as caught:
        bind(host, 0)
    assert "this machine only" in caught.value.what
    assert "127.0.0.1" in caught.value.fix


def test_port_that_is_taken_is_one_clear_message() -> None:
    with bind("127.0.0.1", 0) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(AddressError, match=rf"port {port}.*cannot be bound"):
            bind("127.0.0.1", port)


def test_localhost_is_loopback() -> None:
    with bind("localhost", 0) as listening:
        assert listening.getsockname()[0] == "127.0.0.1"


async def test_page_is_served_and_an_open_stream_does_not_hold_the_end() -> None:
    serving = Serving(bind("127.0.0.1", 0), app())
    stop = asyncio.Event()
    running = asyncio.create_task(serving.run(stop))
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{serving.port}", trust_env=False) as client:
        assert (await client.get("/", timeout=SOON)).json() == "page"
        async with client.stream("GET", "/events", timeout=SOON) as answer:
            chunks = answer.aiter_bytes()
            await anext(chunks)
            stop.set()
            await asyncio.wait_for(running, 2.0)
    port = serving.port
    serving.close()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=1)
