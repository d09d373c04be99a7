"""The switchboard of the plant: HTTP on loopback, with a token, to see and switch faults.

    GET /faults                 what can be switched and what is on
    PUT /faults/{loop}/{id}     {"on": true, "severity": 3.0}; the severity may be left out

Errors are `{"what": ..., "fix": ...}` with 400, 401 or 404. The address and the token are written to a file that only its
owner can read, so that `tallywire demo set` finds them.
"""

from __future__ import annotations

import hmac
import json
import os
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from config.errors import TallywireError
from deploy.plant.faults import BENIGN, FAULTS
from deploy.plant.spec import LoopSpec
from deploy.plant.terminal import Terminal

MOST_BYTES = 10_000


def control_server(terminal: Terminal, token: str, port: int) -> ThreadingHTTPServer:
    """The server, listening but not yet serving; port 0 is any free one."""

    class Handler(BaseHTTPRequestHandler):
        server_version = "plant"
        sys_version = ""
        timeout = 10

        def log_message(self, format: str, *args: Any) -> None:
            """Say nothing: stdout is for the parent, and tokens do not belong into a log."""

        def do_GET(self) -> None:
            if not self._may():
                return
            if self.path != "/faults":
                self._answer(404, {"what": f"there is no {self.path}", "fix": "GET /faults"})
                return
            self._answer(200, listing(terminal))

        def do_PUT(self) -> None:
            if not self._may():
                return
            parts = [unquote(part) for part in self.path.split("/")]
            if len(parts) != 4 or parts[1] != "faults":
                self._answer(404, {"what": f"there is no {self.path}", "fix": "PUT /faults/{loop}/{id}"})
                return
            try:
                on, severity = _order(self._body())
                terminal.set_fault(parts[2], parts[3], on, severity)
            except TallywireError as error:
                self._answer(400, {"what": error.what, "fix": error.fix})
                return
            self._answer(200, {"active": terminal.active()})

        def _may(self) -> bool:
            given = self.headers.get("Authorization", "")
            if hmac.compare_digest(given.encode("utf-8", "replace"), f"Bearer {token}".encode()):
                return True
            self._answer(
                401, {"what": "the token is missing or wrong", "fix": "it is in the control file of the running plant"}
            )
            return False

        def _body(self) -> bytes:
            length = self.headers.get("Content-Length", "0")
            if not length.isdecimal() or int(length) > MOST_BYTES:
                raise TallywireError("the body has no sound length", fix='send {"on": true}')
            return self.rfile.read(int(length))

        def _answer(self, status: int, body: dict[str, Any]) -> None:
            content = json.dumps(body).encode()
            self.send_response(status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(content)))
            self.send_header("Connection", "close")
            self.end_headers()
            self.wfile.write(content)
            self.close_connection = True

    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    server.daemon_threads = True
    return server


def _order(body: bytes) -> tuple[bool, float | None]:
    try:
        order = json.loads(body)
    except ValueError:
        order = None
    if not isinstance(order, dict) or not isinstance(order.get("on"), bool):
        raise TallywireError("the body does not say whether on or off", fix='send {"on": true} or {"on": false}')
    severity = order.get("severity")
    if severity is None:
        return order["on"], None
    if isinstance(severity, bool) or not isinstance(severity, int | float):
        raise TallywireError("the severity is no number", fix='send {"on": true, "severity": 3.0}, or leave it out')
    return order["on"], float(severity)


def listing(terminal: Terminal) -> dict[str, Any]:
    """What can be switched and what is on, by loop."""
    return {**catalogue(terminal.specs), "active": terminal.active()}


def catalogue(specs: dict[str, LoopSpec]) -> dict[str, Any]:
    """All faults and honest events with title, default severity (of the first loop) and measure."""
    first = next(iter(specs.values()))

    def rows(table: dict[str, Any]) -> list[dict[str, Any]]:
        return [
            {"id": name, "title": fault.title, "severity": fault.default(first), "measure": fault.measure}
            for name, fault in table.items()
        ]

    return {"loops": list(specs), "faults": rows(FAULTS), "honest": rows(BENIGN)}


def write_control_file(path: Path, address: str, token: str) -> None:
    """Address, token and process id, readable by the owner alone."""
    path.unlink(missing_ok=True)
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        json.dump({"control": address, "token": token, "pid": os.getpid()}, file)
