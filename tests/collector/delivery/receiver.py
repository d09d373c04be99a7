"""A local HTTP receiver that counts what it takes, and says to each request what it was told to say."""

from __future__ import annotations

import json
import threading
from collections import deque
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class Receiver:
    """Takes posts on a free port of the loopback until left; the first answers come from `statuses`, then 200."""

    def __init__(self, *statuses: int) -> None:
        self.taken: list[dict[str, Any]] = []
        """Bodies answered with 200, in order."""
        self.keys: list[str] = []
        """Idempotency keys of every request, in order."""
        self.requests: list[tuple[dict[str, str], bytes]] = []
        """Headers and raw body of every request, in order."""
        self.statuses = deque(statuses)
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                raw = self.rfile.read(int(self.headers["Content-Length"]))
                body = json.loads(raw)
                receiver.requests.append((dict(self.headers.items()), raw))
                receiver.keys.append(self.headers["Idempotency-Key"])
                status = receiver.statuses.popleft() if receiver.statuses else 200
                if status == 200:
                    receiver.taken.append(body)
                self.send_response(status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:
                return

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.01})

    @property
    def url(self) -> str:
        """Where it listens, with a part that must stay secret."""
        return f"http://127.0.0.1:{self._server.server_port}/hooks/s3cr3t-path"

    def __enter__(self) -> Receiver:
        self._thread.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()
