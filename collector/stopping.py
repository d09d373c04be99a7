"""Work that ends early when it is time to stop."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any, TypeVar

Result = TypeVar("Result")


async def or_stop(work: Coroutine[Any, Any, Result], stopping: asyncio.Future[Any]) -> Result | None:
    """The result of the work, or None where it is time to stop, with the work cancelled; its errors come out."""
    task = asyncio.create_task(work)
    try:
        await asyncio.wait({task, stopping}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        if not task.done():
            task.cancel()
            await asyncio.wait({task})
    return None if task.cancelled() else task.result()
