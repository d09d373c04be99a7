"""`tallywire notify test`: send a test message to the deliveries of a site file, from this terminal and at once."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from config.errors import TallywireError

if TYPE_CHECKING:
    from collector.delivery.message import Message
    from collector.delivery.target import Target

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the group and its commands."""
    parser = subparsers.add_parser(
        "notify", help="test the deliveries of alerts", description="The deliveries of the site file, tried from this terminal."
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    test = commands.add_parser(
        "test",
        help="send a test message to each delivery",
        description="Sends a test message to each delivery of the site file, or to those named, with the secrets of this terminal. "
        "1 where one of them did not take it.",
    )
    test.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    test.add_argument("--to", action="append", default=[], metavar="NAME", help="to this delivery only; may be given again")
    test.set_defaults(run=run_test)


def run_test(args: argparse.Namespace) -> int:
    """Send and say what became of it; 1 where one was not taken."""
    import asyncio
    import time

    from collector.delivery.desk import body_of_test
    from collector.delivery.message import plain_message
    from collector.delivery.outbox import target_of
    from config.load import load_site

    site = load_site(args.site).site
    unknown = [name for name in args.to if name not in site.deliveries]
    if unknown or not site.deliveries:
        listed = f"it has: {', '.join(site.deliveries)}" if site.deliveries else "describe one under `deliveries:`"
        what = f"the site file has no delivery {unknown[0]!r}" if unknown else "the site file has no delivery"
        raise TallywireError(what, where=str(args.site), fix=listed)
    names = list(dict.fromkeys(args.to)) or list(site.deliveries)
    targets = {name: target_of(name, site.deliveries[name]) for name in names}
    now = time.time()

    def message(name: str) -> Message:
        body = body_of_test(f"Test message for {name}, sent from a terminal", now)
        return plain_message(f"test/{now:.3f}/{name}", "test", body["title"], body["lines"], site, "", time=body["time"])

    failed = asyncio.run(_sent({name: (targets[name], message(name)) for name in names}))
    return exits.FINDINGS if failed else exits.NO_FINDING


async def _sent(messages: dict[str, tuple[Target, Message]]) -> int:
    """Send one after the other and print a line for each; how many were not taken."""
    failed = 0
    for name, (target, message) in messages.items():
        try:
            await target.send(message)
        except OSError as error:
            failed += 1
            sys.stdout.write(f"{name}: NOT taken. {error}.\n")
        else:
            sys.stdout.write(f"{name}: taken ({target.shown}). See whether it has arrived.\n")
    return failed
