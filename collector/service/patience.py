"""A protocol that waits for the head of a request no longer than it should: else few clients could hold every connection."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 10.0
"""Longest time from the first byte (or the connection) to the end of the headers [s]. Bodies have their own limit."""
MOST_CONNECTIONS = 400


class Patient(H11Protocol):
    """HTTP/1.1 as uvicorn speaks it, with an end to slow heads."""

    head_s = HEAD_S

    def __init__(self, *args: Any, **named: Any) -> None:
        super().__init__(*args, **named)
        self._waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait."""
        super().connection_made(transport)
        self._watch()

    def data_received(self, data: bytes) -> None:
        """Stop waiting once a head is whole; begin anew with the next one on the same connection."""
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        """Wait for the next head, of which a part may lie here already."""
        super().on_response_complete()
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop waiting."""
        self._forget()
        super().connection_lost(exc)

    def _watch(self) -> None:
        incomplete = self.cycle is None or self.cycle.response_complete
        if not incomplete:
            self._forget()
        elif self._waiting is None and self.transport is not None and not self.transport.is_closing():
            self._waiting = self.loop.call_later(self.head_s, self._give_up)

    def _forget(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None

    def _give_up(self) -> None:
        self._waiting = None
        if self.cycle is None or self.cycle.response_complete:
            self.transport.abort()
