"""`tallywire survey`: every tag read once, slowly, with its neighbours, and judged by physics and by the other tags."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from collector.cli.days import loop_of
from collector.cli.output import write_out
from config.errors import TallywireError

if TYPE_CHECKING:
    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "survey",
        help="read every tag once and say which cannot be right",
        description="Connects to every endpoint once and reads every tag with its neighbours: raw registers, the orders of words and "
        "bytes, quality, age, units and ranges; compares the values with physics and with each other, and says which line of the site "
        "file to change. It never writes. A device that serves one connection only is busy while the service runs: stop the service, "
        "or survey with --borrow.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--loop", metavar="LOOP", help="this loop only")
    parser.add_argument(
        "--rate", type=float, default=2.0, metavar="N", help="most Modbus requests a second to one device (default: 2)"
    )
    parser.add_argument(
        "--wait",
        type=float,
        default=15.0,
        metavar="S",
        help="time to the second look at totals and odd tags (default: 15; 0: none)",
    )
    parser.add_argument("--raw", action="store_true", help="show the registers and all orders of every tag")
    parser.add_argument(
        "--borrow", action="store_true", help="ask the running service to let go of its connections for the time"
    )
    parser.add_argument("--json", type=Path, metavar="OUT", help="also save what was found as JSON (`-`: stdout, no text)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Survey, print, save; 1 where a tag cannot be right, 3 where nothing could be read."""
    import asyncio

    from collector.clock import SystemClock
    from collector.commissioning.borrow import borrowed
    from collector.commissioning.survey import as_dict, survey
    from collector.commissioning.survey_text import text
    from config.load import load_site

    site = load_site(args.site).site
    if args.loop is not None:
        loop_of(args.loop, site.loops)
        site = site.model_copy(update={"loops": {args.loop: site.loops[args.loop]}})
    if not 0.0 < args.rate <= 50.0:
        raise TallywireError("the rate is not from above 0 to 50", where="--rate", fix="such as 2")
    clock = SystemClock()
    quiet = args.json is not None and str(args.json) == "-"

    def tell(words: str) -> None:
        if sys.stderr.isatty():
            sys.stderr.write(words + "\n")

    with borrowed(site, args.borrow):
        found = asyncio.run(survey(site, clock, rate=args.rate, wait_s=max(args.wait, 0.0), tell=tell))
    if quiet:
        sys.stdout.write(json.dumps(as_dict(found), indent=2) + "\n")
    else:
        if args.json is not None:
            write_out(args.json, (json.dumps(as_dict(found), indent=2) + "\n").encode())
        sys.stdout.write(text(found, now=clock.now(), raw=args.raw))
    if not any(item.reading.raw for item in found.tags):
        return exits.NOTHING_EVALUATED
    return exits.FINDINGS if found.odd else exits.NO_FINDING
