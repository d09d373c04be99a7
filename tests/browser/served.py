"""An application on a free port of this machine, served from a thread of its own."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn
from fastapi import FastAPI

START_LIMIT = 15.0


@contextmanager
def served(app: FastAPI) -> Iterator[str]:
    """Serve until the block ends; gives the address. What is changed under it goes through `app.state.loop`, its event loop."""
    ready = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        app.state.guard.port = port
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="off"))

        async def serve() -> None:
            app.state.loop = asyncio.get_running_loop()
            ready.set()
            await server.serve(sockets=[listening])

        thread = threading.Thread(target=lambda: asyncio.run(serve()))
        thread.start()
        assert ready.wait(START_LIMIT)
        try:
            yield f"http://127.0.0.1:{port}"
        finally:
            app.state.loop.call_soon_threadsafe(app.state.streams.close)
            server.should_exit = True
            thread.join(START_LIMIT)
            assert not thread.is_alive()
