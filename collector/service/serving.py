"""Pages, REST and metrics on a socket: of this machine alone, or of others where the door is locked. The signals stay ours."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import ssl
from collections.abc import Iterator

import uvicorn
from fastapi import FastAPI

from collector.service.patience import MOST_CONNECTIONS, Patient
from collector.web.security import HEAD_BYTES
from config.errors import AddressError

LONGEST_GOODBYE_S = 1


def bind(host: str, port: int, *, locked: bool = False) -> socket.socket:
    """A listening socket; port 0 takes any free one. Any but a loopback address only where the door is `locked`.

    Raises
    ------
    AddressError
        The address is not loopback and the door is open, or it cannot be bound.
    """
    address = "127.0.0.1" if host.lower() == "localhost" else host.strip("[]")
    try:
        found = ipaddress.ip_address(address)
        allowed = locked or found.is_loopback
    except ValueError:
        allowed = False
    if not allowed:
        raise AddressError(
            f"the page may listen on this machine only, not on {host!r}",
            where="web.host",
            fix="use 127.0.0.1 or ::1; or add accounts, and certificate and key or behind_proxy to the site file",
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

    def __init__(self, listening: socket.socket, app: FastAPI | None = None, *, tls: ssl.SSLContext | None = None) -> None:
        self.app = app
        self._listening, self._tls = listening, tls

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
            http=Patient,
            h11_max_incomplete_event_size=HEAD_BYTES,
            limit_concurrency=MOST_CONNECTIONS,
            proxy_headers=False,
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=LONGEST_GOODBYE_S,
            lifespan="off",
            ws="none",
        )
        config.load()
        config.ssl = self._tls
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
