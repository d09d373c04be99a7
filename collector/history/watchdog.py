"""Ends a transaction that lasts too long from outside: a link that is silent would hold its thread for ever."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

LOOK_S = 0.1


class Watchdog:
    """Shuts the socket of a connection whose transaction has used up its time; the driver then raises at once.

    It runs on the monotonic clock of the machine in a thread of its own, since what it guards against stops all else.
    """

    def __init__(self) -> None:
        self._gate = threading.Lock()
        self._watched: dict[int, tuple[float, Any]] = {}
        self._next = 0
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    @contextlib.contextmanager
    def over(self, connection: Any, limit_s: float) -> Iterator[None]:
        """Watch a connection of the driver for as long as the block takes."""
        with self._gate:
            self._next += 1
            number = self._next
            self._watched[number] = (time.monotonic() + limit_s, connection)
            if self._thread is None:
                self._thread = threading.Thread(target=self._look, name="database watchdog", daemon=True)
                self._thread.start()
        try:
            yield
        finally:
            with self._gate:
                self._watched.pop(number, None)

    def close(self) -> None:
        """End the thread."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()

    def _look(self) -> None:
        while not self._stop.wait(LOOK_S):
            now = time.monotonic()
            with self._gate:
                for number, (limit, connection) in list(self._watched.items()):
                    if now > limit:
                        del self._watched[number]
                        _shut(connection)


def _shut(connection: Any) -> None:
    with contextlib.suppress(Exception):
        number = connection.pgconn.socket
        if number >= 0:
            with socket.socket(fileno=os.dup(number)) as end:
                end.shutdown(socket.SHUT_RDWR)
