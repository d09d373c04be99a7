"""Headless Chromium against the application on a free port of this machine."""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest
import uvicorn
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from collector.clock import SystemClock
from collector.live import LiveState
from collector.web.app import create_app
from tests.acceptance.simulated import Order
from tests.browser.populated import Populated, populate
from tests.browser.served import START_LIMIT, served
from tests.collector.web import plant

PAST_HOURS = 2
CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
WAIT_MS = 30_000
"""How long a page may take where others have the processor [ms]; nothing waits longer than it must."""
expect.set_options(timeout=WAIT_MS)


@dataclass
class Running:
    """The application on its port, and what may be changed under it."""

    base: str
    live: LiveState
    desk: plant.MemoryDesk
    server: uvicorn.Server
    now: float
    loop: asyncio.AbstractEventLoop | None = None

    def call(self, change: Callable[[], None]) -> None:
        """Run a change in the event loop of the server, as the service does."""
        done = threading.Event()

        def run() -> None:
            change()
            done.set()

        loop = self.loop
        assert loop is not None
        loop.call_soon_threadsafe(run)
        assert done.wait(START_LIMIT)


Run = Callable[..., Running]


@pytest.fixture
def run() -> Iterator[Run]:
    """Start the application over a live state that `make(now)` fabricates."""
    started: list[tuple[uvicorn.Server, threading.Thread, Callable[[], None]]] = []

    def start(make: Callable[[float], LiveState], *, alerts: bool = False) -> Running:
        now = time.time()
        live = make(now)
        desk = plant.MemoryDesk(*([plant.alert(now)] if alerts else []))
        app = create_app(live, plant.MemoryStore(), desk, SystemClock())
        listening = socket.create_server(("127.0.0.1", 0))
        port = listening.getsockname()[1]
        app.state.guard.port = port
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="off"))
        ready = threading.Event()
        running = Running(base=f"http://127.0.0.1:{port}", live=live, desk=desk, server=server, now=now)

        async def serve() -> None:
            running.loop = asyncio.get_running_loop()
            ready.set()
            await server.serve(sockets=[listening])

        def work() -> None:
            asyncio.run(serve())

        thread = threading.Thread(target=work)
        thread.start()
        assert ready.wait(START_LIMIT)
        started.append((server, thread, lambda: running.call(app.state.streams.close)))
        return running

    yield start
    for server, thread, close_streams in started:
        close_streams()
        server.should_exit = True
        thread.join(START_LIMIT)
        assert not thread.is_alive()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """One browser for the tests of a module; its event loop would stand in the way of fixtures of others that run one."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@dataclass
class Visit:
    """A page and everything that went wrong on it."""

    page: Page
    errors: list[str]
    hosts: set[str]


Open = Callable[..., Visit]


@pytest.fixture
def visit(chromium: Browser) -> Iterator[Open]:
    contexts: list[BrowserContext] = []

    def open_page(address: str, *, width: int = 1280, dark: bool = False, script: bool = True) -> Visit:
        context = chromium.new_context(
            viewport={"width": width, "height": 800},
            color_scheme="dark" if dark else "light",
            java_script_enabled=script,
            reduced_motion="reduce",
        )
        context.set_default_timeout(WAIT_MS)
        contexts.append(context)
        seen = Visit(page=context.new_page(), errors=[], hosts=set())
        seen.page.on(
            "console", lambda message: seen.errors.append(message.text) if message.type in ("error", "warning") else None
        )
        seen.page.on("pageerror", lambda error: seen.errors.append(str(error)))
        seen.page.on("request", lambda request: seen.hosts.add(request.url.split("/")[2] if "//" in request.url else ""))
        seen.page.goto(address)
        return seen

    yield open_page
    for context in contexts:
        context.close()


@dataclass
class Past:
    """A terminal with two hours behind it, on its port: real samples, evaluations, an alert and a record."""

    base: str
    populated: Populated


@pytest.fixture(scope="package")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Past]:
    faults = {"TB-07": (Order(PAST_HOURS * 3600 - 3000, "upper-range@plc"),)}
    populated = populate(tmp_path_factory.mktemp("past"), PAST_HOURS, faults=faults)
    with served(populated.app()) as base:
        yield Past(base, populated)
    populated.store.close()
