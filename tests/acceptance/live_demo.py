"""The demo as a user starts it, on real sockets: a child process, its page, its switches."""

from __future__ import annotations

import math
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

ADDRESS = re.compile(r"http://127\.0\.0\.1:\d+")


@dataclass(slots=True)
class LiveDemo:
    """A running `tallywire demo`."""

    process: subprocess.Popen[str]
    data: Path
    lines: list[str] = field(default_factory=list)
    page: str = ""

    def get(self, path: str) -> Any:
        """GET of a path under /api/v1 as JSON."""
        answer = httpx.get(f"{self.page}/api/v1{path}", timeout=10.0, trust_env=False)
        return answer.raise_for_status().json()

    def alerts(self) -> list[dict[str, Any]]:
        """Standing alerts."""
        standing: list[dict[str, Any]] = self.get("/alerts")
        return standing

    def switch(self, fault: str, state: str, loop: str, *more: str) -> None:
        """Switch a fault with the command a user types."""
        subprocess.run(
            [
                sys.executable,
                "-P",
                "-m",
                "collector",
                "demo",
                "set",
                fault,
                state,
                "--loop",
                loop,
                "--data",
                str(self.data),
                *more,
            ],
            check=True,
            capture_output=True,
        )

    def wait(self, what: str, condition: Callable[[], bool], within_s: float, every_s: float = 0.5) -> float:
        """Seconds until the condition holds; an AssertionError with the last output where it does not in time.

        The time allowed is counted in looks: where others have the processor, they come late, as the demo does.
        """
        began = time.monotonic()
        pause = threading.Event()
        for _ in range(math.ceil(within_s / every_s) + 1):
            if condition():
                return time.monotonic() - began
            if self.process.poll() is not None:
                break
            pause.wait(every_s)
        raise AssertionError(f"{what}: not within {within_s:g} s\n" + "\n".join(self.lines[-40:]))


@contextmanager
def live_demo(
    data: Path, *options: str, log: Callable[[str], None] = lambda line: None, within_s: float = 240.0
) -> Iterator[LiveDemo]:
    """Start the demo on a free port and wait until its page answers; end it with SIGTERM."""
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", "collector", "demo", "--port", "0", "--data", str(data), *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    demo = LiveDemo(process, data)

    def read() -> None:
        assert process.stdout is not None
        for line in process.stdout:
            demo.lines.append(line.rstrip())
            log(line.rstrip())

    reader = threading.Thread(target=read, daemon=True)
    reader.start()

    def answers() -> bool:
        for line in demo.lines:
            for address in ADDRESS.findall(line):
                try:
                    if httpx.get(f"{address}/api/v1/healthz", timeout=2.0, trust_env=False).is_success:
                        demo.page = address
                        return True
                except httpx.HTTPError:
                    continue
        return False

    try:
        demo.wait("the page answers", answers, within_s)
        yield demo
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
        try:
            process.wait(20.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        reader.join(60.0)
        if process.stdout is not None:
            process.stdout.close()
