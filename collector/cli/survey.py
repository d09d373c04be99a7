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
from collector.cli.pace import add_pace
from collector.cli.survey_progress import tell
from config.errors import TallywireError

if TYPE_CHECKING:
    from config.model import Site

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
    add_pace(parser)
    parser.add_argument("--raw", action="store_true", help="show the registers and all orders of every tag")
    parser.add_argument(
        "--borrow", action="store_true", help="ask the running service to let go of its connections for the time"
    )
    parser.add_argument("--json", type=Path, metavar="OUT", help="also save what was found as JSON (`-`: stdout, no text)")
    parser.add_argument("--endpoint", metavar="NAME", help="endpoint of the site file to browse or scan")
    browse = parser.add_argument_group("browse an OPC UA server")
    browse.add_argument(
        "--browse", action="store_true", help="list its variables and what each could be, with the lines for the site file"
    )
    browse.add_argument("--under", metavar="NODE", help="node to begin at, such as ns=2;s=TB-07 (default: the Objects folder)")
    browse.add_argument("--depth", type=_positive, default=12, metavar="N", help="most levels of folders (default: 12)")
    browse.add_argument("--nodes", type=_positive, default=5000, metavar="N", help="most nodes (default: 5000)")
    browse.add_argument(
        "--choose",
        metavar="NUMBERS",
        help="which become tags: `1 4 7-9`, `12=plc_total`, `12=TB-08:ai_raw`, or all; else it asks",
    )
    browse.add_argument("--write", type=Path, metavar="FILE", help="write the chosen tags to a new file (default: print them)")
    scan = parser.add_argument_group("scan a range of a Modbus device")
    scan.add_argument("--scan", metavar="FIRST-LAST", help="read these addresses, from 0, and show what they could be")
    scan.add_argument("--table", choices=("holding", "input"), default="holding", help="which registers (default: holding)")
    scan.add_argument("--unit", type=int, metavar="N", help="unit behind the endpoint (default: that of the endpoint)")
    scan.add_argument("--fine", action="store_true", help="look for single registers in every stretch that the device refuses")
    parser.set_defaults(run=run)


def _positive(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError("must be 1 or more")
    return number


def run(args: argparse.Namespace) -> int:
    """Survey, browse or scan, as asked."""
    from config.load import load_site

    site = load_site(args.site).site
    others = tuple(site.loops)
    if args.loop is not None:
        loop_of(args.loop, site.loops)
        site = site.model_copy(update={"loops": {args.loop: site.loops[args.loop]}})
    if not 0.0 < args.rate <= 50.0:
        raise TallywireError("the rate is not from above 0 to 50", where="--rate", fix="such as 2")
    if args.browse and args.scan is not None:
        raise TallywireError("one thing at a time", where="--browse, --scan", fix="leave one of them out")
    if args.browse:
        from collector.cli.survey_browse import run as run_browse

        return run_browse(args, site, others)
    if args.scan is not None:
        from collector.cli.survey_scan import run as run_scan

        return run_scan(args, site)
    return _survey(args, site)


def _survey(args: argparse.Namespace, site: Site) -> int:
    """Survey, print, save; 1 where a tag cannot be right, 3 where nothing could be read."""
    import asyncio

    from collector.clock import SystemClock
    from collector.commissioning.borrow import borrowed
    from collector.commissioning.survey import survey
    from collector.commissioning.survey_dict import as_dict
    from collector.commissioning.survey_text import text

    clock = SystemClock()
    with borrowed(site, args.borrow) as renew:

        def told(words: str) -> None:
            renew()
            tell(words)

        found = asyncio.run(survey(site, clock, rate=args.rate, wait_s=max(args.wait, 0.0), tell=told))
    if str(args.json) == "-":
        sys.stdout.write(json.dumps(as_dict(found), indent=2) + "\n")
    else:
        if args.json is not None:
            write_out(args.json, (json.dumps(as_dict(found), indent=2) + "\n").encode())
        sys.stdout.write(text(found, now=clock.now(), raw=args.raw))
    if not any(item.reading.raw for item in found.tags):
        return exits.NOTHING_EVALUATED
    return exits.NO_FINDING if found.sound else exits.FINDINGS
