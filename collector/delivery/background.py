"""Work that blocks, in a thread of its own that may be left behind: a server that hangs must not hold up the end of the service."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable


async def in_thread(name: str, work: Callable[[], OSError | None]) -> None:
    """Wait for work that gives back what went wrong, and raise it. `work` itself must not raise."""
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[OSError | None] = loop.create_future()

    def settle(error: OSError | None) -> None:
        if not answer.done():
            answer.set_result(error)

    def run() -> None:
        error = work()
        if not loop.is_closed():
            loop.call_soon_threadsafe(settle, error)

    threading.Thread(target=run, name=name, daemon=True).start()
    error = await answer
    if error is not None:
        raise error
