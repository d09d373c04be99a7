"""Tells a service manager that the service is ready, how it stands, and, again and again, that it is alive (sd_notify(3)).

A watchdog that hears nothing restarts the service: it is fed from the event loop, so a loop that hangs starves it.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Callable, Mapping

from collector.clock import Clock
from collector.service.supervisor import sleep_or_stop

STATUS_EVERY_S = 30.0


class Notifier:
    """Speaks to the socket that the environment names; where there is none, nothing is said and `run` waits for its stop.

    Parameters
    ----------
    environment : mapping
        `NOTIFY_SOCKET`, `WATCHDOG_USEC` and `WATCHDOG_PID` as the manager sets them; what is set wrongly is as if it were not set.
    status : callable
        One line on how the service stands.
    """

    def __init__(self, environment: Mapping[str, str], clock: Clock, status: Callable[[], str]) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self._clock = clock
        self._status = status
        self._period = _period(environment)

    @property
    def active(self) -> bool:
        """Whether anybody listens."""
        return bool(self._address)

    def say(self, *lines: str) -> None:
        """Send lines such as `READY=1`; a manager that does not listen, or not fast enough, is no error of ours and holds nothing up."""
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.setblocking(False)
            out.sendto("\n".join(lines).encode(), address)

    async def run(self, stop: asyncio.Event) -> None:
        """Say that the service is alive until told to stop, then that it stops."""
        while not await sleep_or_stop(self._clock, self._clock.monotonic() + self._period, stop):
            self.say("WATCHDOG=1", f"STATUS={self._status()}")
        self.say("STOPPING=1")


def _period(environment: Mapping[str, str]) -> float:
    """A third of what the watchdog allows, so that two words may get lost; else every half minute for the status [s]."""
    try:
        allowed = int(environment.get("WATCHDOG_USEC", "")) / 1e6
        ours = int(environment.get("WATCHDOG_PID", os.getpid())) == os.getpid()
    except ValueError:
        return STATUS_EVERY_S
    return min(STATUS_EVERY_S, allowed / 3) if ours and allowed > 0 else STATUS_EVERY_S
