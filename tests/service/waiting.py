"""Waiting for a condition instead of for time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

SOON = 60.0
"""Far longer than anything here takes; a test that reaches it has failed [s]."""


async def until(condition: Callable[[], bool], timeout: float = SOON) -> None:
    """Let others run until the condition holds."""
    async with asyncio.timeout(timeout):
        while not condition():  # noqa: ASYNC110 - the conditions are plain numbers that no event stands for
            await asyncio.sleep(0.001)
