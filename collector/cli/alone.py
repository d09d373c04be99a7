"""Serving the pages that need no site, from a command, until it is ended."""

from __future__ import annotations

import asyncio
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from config.errors import TallywireError

if TYPE_CHECKING:
    from collector.service.serving import Serving


def serve(start: str, port: str, *, folder: Path | None = None) -> int:
    """Serve on loopback and print the address; port 0 takes any free one. Ends with Ctrl-C or a signal to terminate."""
    from collector import logs
    from collector.clock import SystemClock
    from collector.service.serving import Serving, bind
    from collector.web.alone import create_alone

    number = int(port) if port.isascii() and port.isdigit() and len(port) < 6 else -1
    if not 0 <= number <= 65535:
        raise TallywireError(f"{port!r} is no port", where="--port", fix="a number from 0 (any free one) to 65535")
    logs.set_up("text")
    serving = Serving(bind("127.0.0.1", number))
    app = create_alone(SystemClock(), start=start, folder=folder)
    app.state.guard.port = serving.port
    serving.app = app
    sys.stdout.write(f"Open http://127.0.0.1:{serving.port}{start}\nOnly this machine can. End it with Ctrl-C.\n")
    sys.stdout.flush()
    try:
        asyncio.run(_until_told(serving))
    finally:
        serving.close()
    return exits.NO_FINDING


async def _until_told(serving: Serving) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    try:
        await serving.run(stop)
    finally:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)
