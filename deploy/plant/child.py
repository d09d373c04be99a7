"""What every server process of the plant shares: orders come in as JSON lines on stdin, and its end is the end of the child."""

from __future__ import annotations

import asyncio
import ctypes
import json
import os
import signal
import sys
from collections.abc import AsyncIterator
from typing import Any

_PR_SET_PDEATHSIG = 1


def die_with(parent: int) -> None:
    """Ask the kernel (Linux) to end this process when its parent ends; elsewhere the end of stdin has to do.

    Raises SystemExit where the parent is gone already.
    """
    if sys.platform == "linux":
        ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if os.getppid() != parent:
        raise SystemExit(0)


def say(message: dict[str, Any]) -> None:
    """One JSON object on stdout."""
    sys.stdout.write(json.dumps(message) + "\n")
    sys.stdout.flush()


async def orders() -> AsyncIterator[dict[str, Any]]:
    """The JSON objects that come in on stdin, one a line, until it closes."""
    reader = asyncio.StreamReader(limit=1 << 20)
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while line := await reader.readline():
        order: dict[str, Any] = json.loads(line)
        yield order
