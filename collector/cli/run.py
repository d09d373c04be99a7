"""`tallywire run`: the service."""

from __future__ import annotations

import argparse
import logging
import os
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]

LONGEST_JOIN_S = 0.3
"""How long a thread may take to end after the service has stopped [s]."""


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "run",
        help="the service: poll, verify, keep, alert, show",
        description="Polls the tags of the site, verifies every loop once per block, keeps the history, alerts, and shows it "
        "all on a page on this machine. Ends on SIGTERM or Ctrl-C within 5 s; a second signal ends it at once.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument(
        "--data", type=Path, metavar="DIR", help="data folder (default $STATE_DIRECTORY, else the user data folder)"
    )
    parser.add_argument("--port", type=int, metavar="PORT", help="port of page, REST and metrics (0: any free one, printed)")
    parser.add_argument(
        "--log-format", choices=("json", "text"), default="json", help="one JSON object a line, or text for people"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the service until a signal."""
    import asyncio

    from collector.service.run import ServiceOptions, run_service

    options = ServiceOptions(site=args.site, data=args.data, port=args.port, log_format=args.log_format)
    code = asyncio.run(run_service(options))
    others = [thread for thread in threading.enumerate() if thread is not threading.main_thread() and not thread.daemon]
    for thread in others:
        thread.join(LONGEST_JOIN_S)
    if any(thread.is_alive() for thread in others):
        # A thread that hangs in a disk or a check would hold the end for ever; everything it could lose is written or told.
        logging.shutdown()
        sys.stdout.flush()
        os._exit(code)
    return code
