"""The running plant: server processes on free ports, the physics once a second, the switchboard.

The physics of all loops run here; each gauge and the PLC is a process of its own that only serves what it is handed. When
this process ends, however it ends, the servers end with it (end of their stdin; on Linux the kernel sees to it as well).
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import signal
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

from config.errors import TallywireError
from deploy.plant.control import control_server, write_control_file
from deploy.plant.history import BEGIN_FILE, write_begin
from deploy.plant.site_file import site_text
from deploy.plant.terminal import Begin, Terminal

CONTROL_FILE = "plant.control.json"
LONGEST_CATCH_UP_S = 600
KEEP_EVERY_S = 60
TIME_ZONE = "Europe/Lisbon"
DATA = "data"
"""The folder of the service beside the site file."""
"""A zone that keeps UTC in winter and has days of 23 and 25 h."""


@dataclass(frozen=True, slots=True)
class LiveOptions:
    """Where the site file goes, port of the switchboard (0: any), process to end with (None: nobody), seed of the noise."""

    site: Path
    control_port: int
    parent: int | None
    seed: int


class Server:
    """A server process, spoken to in JSON lines."""

    def __init__(self, module: str) -> None:
        self._name = module
        self._process = subprocess.Popen(  # noqa: S603 - our own modules by our own interpreter
            [sys.executable, "-P", "-m", module, str(os.getpid())], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )

    def tell(self, order: dict[str, Any]) -> None:
        """Send one order; a server that is gone ends the plant with a message."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(json.dumps(order).encode() + b"\n")
            self._process.stdin.flush()
        except BrokenPipeError as error:
            raise TallywireError(f"the server {self._name} of the demo plant has ended", fix="start the demo again") from error

    def hear(self) -> dict[str, Any]:
        """The one answer that it gives, when it listens."""
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise TallywireError(f"the server {self._name} of the demo plant did not start", fix="its own message stands above")
        answer: dict[str, Any] = json.loads(line)
        return answer

    def stop(self) -> None:
        """Close its stdin and wait; kill it where it does not end."""
        if self._process.stdin is not None:
            try:
                self._process.stdin.close()
            except BrokenPipeError:
                self._process.kill()
        try:
            self._process.wait(3.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()


def run(options: LiveOptions, begin: Begin) -> int:
    """Run until a signal, the end of the parent, or the loss of a server; the exit code."""
    stop = threading.Event()

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, on_signal)
    terminal = Terminal(begin, options.seed)
    terminal.advance()
    gauges = {loop: Server("deploy.plant.gauge_server") for loop in terminal.loops}
    plc = Server("deploy.plant.plc_server")
    try:
        plc.tell({"nodes": terminal.plc_nodes()})
        ports = {loop: int(server.hear()["port"]) for loop, server in gauges.items()}
        url = str(plc.hear()["url"])
        _put(terminal, gauges, plc)
        _write_whole(options.site, site_text(terminal.specs, ports, url, time_zone=TIME_ZONE, folder=DATA))
        token = secrets.token_urlsafe(24)
        control = control_server(terminal, token, options.control_port)
        address = f"http://127.0.0.1:{control.server_address[1]}"
        write_control_file(options.site.with_name(CONTROL_FILE), address, token)
        threading.Thread(target=control.serve_forever, name="control", daemon=True).start()
        sys.stdout.write(json.dumps({"ready": True, "site": str(options.site), "control": address, "token": token}) + "\n")
        sys.stdout.flush()
        _keep_going(terminal, gauges, plc, stop, options)
        control.shutdown()
        control.server_close()
    finally:
        for server in [*gauges.values(), plc]:
            server.stop()
    return 0


def _keep_going(
    terminal: Terminal, gauges: dict[str, Server], plc: Server, stop: threading.Event, options: LiveOptions
) -> None:
    """One step at every second of the wall clock; a machine that slept catches up, at most ten minutes."""
    parent, begin_file = options.parent, options.site.with_name(BEGIN_FILE)
    while True:
        ahead = terminal.time_s - time.time()
        if stop.wait(min(max(ahead, 0.02), 1.0)) or (parent is not None and os.getppid() != parent):
            break
        due = int(time.time()) + 1 - terminal.time_s
        if due > 0:
            terminal.advance(min(due, LONGEST_CATCH_UP_S))
            if due > LONGEST_CATCH_UP_S:
                terminal.skip_to(int(time.time()) + 1)
            _put(terminal, gauges, plc)
            if terminal.time_s % KEEP_EVERY_S == 0:
                with contextlib.suppress(OSError):  # a full disk must not stop the belts; the next time is soon
                    write_begin(begin_file, terminal.begin())
    write_begin(begin_file, terminal.begin())


def _put(terminal: Terminal, gauges: dict[str, Server], plc: Server) -> None:
    for loop, server in gauges.items():
        server.tell(terminal.registers(loop))
    plc.tell(terminal.plc_values())


def _write_whole(path: Path, text: str) -> None:
    part = path.with_name(path.name + ".part")
    part.write_text(text, encoding="utf-8")
    part.replace(path)
