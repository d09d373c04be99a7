"""Start a server that somebody else wrote, and stop it."""

from __future__ import annotations

import math
import queue
import socket
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

HERE = Path(__file__).parent
STARTS_WITHIN_S = 60.0
LOOK_S = 0.25


def free_port() -> int:
    """A port of the loopback that nobody listens at now, for peers that cannot choose one themselves."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def patient(what: str, condition: Callable[[], bool], within_s: float) -> None:
    """Ask again and again until the condition holds; an AssertionError where it does not in time."""
    pause = threading.Event()
    for _ in range(
        math.ceil(within_s / LOOK_S) + 1
    ):  # in looks: they come late where others have the processor, as the peer does
        if condition():
            return
        pause.wait(LOOK_S)
    raise AssertionError(f"{what}: not within {within_s:g} s")


class Peer:
    """A child process that prints `port N` when it listens, and more lines as things arrive."""

    def __init__(self, *command: str) -> None:
        self._command = command
        self._lines: queue.Queue[str] = queue.Queue()
        self.port = 0
        self.said: list[str] = []

    def __enter__(self) -> Peer:
        if not (HERE / "node_modules" / ".built").exists():
            raise RuntimeError("the peers are not installed; run tests/peers/install.sh")
        pipe = subprocess.PIPE
        self._process = subprocess.Popen(self._command, cwd=HERE, stdin=pipe, stdout=pipe, text=True)
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        self.port = int(self.line("port ").removeprefix("port "))
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._process.kill()
        self._process.wait()
        self._reader.join()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                stream.close()

    def line(self, start: str) -> str:
        """Wait for the next line that begins like this."""
        while True:
            try:
                line = self._lines.get(timeout=STARTS_WITHIN_S)
            except queue.Empty:
                raise RuntimeError(f"{self._command} said {self.said} and not {start!r}") from None
            if line.startswith(start):
                return line

    def ask(self, answer: str, order: str = "") -> str:
        """Send a line, empty where nothing is said, and wait for the line that begins like this."""
        assert self._process.stdin is not None
        self._process.stdin.write(order + "\n")
        self._process.stdin.flush()
        return self.line(answer)

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.said.append(line.rstrip("\n"))
            self._lines.put(line.rstrip("\n"))


def node(script: str, *arguments: str) -> Peer:
    """A peer that runs on node."""
    return Peer("node", script, *arguments)


def libmodbus() -> Peer:
    """The peer in C."""
    return Peer(str(HERE / "node_modules" / ".bin" / "libmodbus_server"))
