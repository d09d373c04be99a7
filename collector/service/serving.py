"""Pages, REST and metrics on loopback; the signals stay ours."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
from collections.abc import Iterator

import uvicorn
from fastapi import FastAPI

from config.errors import AddressError

LONGEST_GOODBYE_S = 1


def bind(host: str, port: int) -> socket.socket:
    """A listening socket on a loopback address; port 0 takes any free one.

    Raises
    ------
    AddressError
        The address is not loopback, or cannot be bound.
    """
    address = "127.0.0.1" if host == "localhost" else host
    try:
        loopback = ipaddress.ip_address(address).is_loopback
    except ValueError:
        loopback = False
    if not loopback:
        raise AddressError(
            f"the page may listen on this machine only, not on {host!r}",
            where="web.host",
            fix="use 127.0.0.1 or ::1; reach it from elsewhere through a tunnel or a proxy that knows its users",
        )
    listening = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((address, port))
        listening.listen(128)
    except OSError as error:
        listening.close()
        raise AddressError(
            f"port {port} of {address} cannot be bound ({error.strerror or error})",
            where="web.port",
            fix="stop what listens there, or choose another port with --port (0: any free one)",
        ) from error
    listening.setblocking(False)
    return listening


class _Server(uvicorn.Server):
    """A server that leaves the signal handlers alone: the service has its own stop order."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


class Serving:
    """Serves an application on a socket that is already bound, until told to stop; `app` is set before `run`."""

    def __init__(self, listening: socket.socket, app: FastAPI | None = None) -> None:
        self.app = app
        self._listening = listening

    @property
    def port(self) -> int:
        """The port that is served."""
        port: int = self._listening.getsockname()[1]
        return port

    async def run(self, stop: asyncio.Event) -> None:
        """Serve; on stop the event streams end first, then the connections."""
        app = self.app
        assert app is not None
        config = uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=LONGEST_GOODBYE_S,
            lifespan="off",
            ws="none",
        )
        server = _Server(config)
        serving = asyncio.create_task(server.serve(sockets=[self._listening.dup()]), name="web server")
        stopping = asyncio.create_task(stop.wait())
        try:
            await asyncio.wait({serving, stopping}, return_when=asyncio.FIRST_COMPLETED)
            app.state.streams.close()
            app.state.exports.close()
            server.should_exit = True
            await serving
        finally:
            stopping.cancel()
            if not serving.done():
                serving.cancel()

    def close(self) -> None:
        """Close the listening socket."""
        self._listening.close()
