"""`tallywire survey SITE --browse`: what an OPC UA server has, what of it could be which tag, and the lines for the site file."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING

from collector.cli import exits
from collector.cli.output import write_new, write_out
from collector.cli.survey_progress import showing, tell
from config.errors import TallywireError
from config.model import OpcUaEndpoint, Site

if TYPE_CHECKING:
    from collector.commissioning.browsing import Browsed
    from collector.commissioning.browsing_text import Choice

ASK = "Which become tags? Numbers such as 1 4 7-9, 12=plc_total for another role, all, or Enter for none > "


def run(args: argparse.Namespace, site: Site, others: tuple[str, ...]) -> int:
    """Browse, print, let choose, write; 3 where the server has no variable. `others` are all loops of the site, also those left out."""
    import asyncio

    from collector.clock import SystemClock
    from collector.commissioning import browsing_text
    from collector.commissioning.borrow import borrowed
    from collector.commissioning.browsing import browse

    name = endpoint_of(args.endpoint, site)
    clock = SystemClock()
    quiet = str(args.json) == "-"
    with borrowed(site, args.borrow, also=name) as renew, showing(f"browsing {name}") as show:

        def progress(seen: int, requests: int, where: str) -> None:
            renew()
            show(seen, None, f"{seen} nodes, {where}" if len(where) < 24 else where)

        browsed = asyncio.run(
            browse(
                site, name, clock, rate=args.rate, under=args.under or "", depth=args.depth, most=args.nodes, others=others, tell=tell, progress=progress
            )
        )  # fmt: skip
    if args.json is not None and not quiet:
        write_out(args.json, (json.dumps(browsing_text.as_dict(browsed), indent=2) + "\n").encode())
    if quiet:
        sys.stdout.write(json.dumps(browsing_text.as_dict(browsed), indent=2) + "\n")
    else:
        sys.stdout.write(browsing_text.text(browsed, now=clock.now(), rate=args.rate))
    if not browsed.offers:
        return exits.NOTHING_EVALUATED
    choices = _choose(args.choose, browsed, site, ask=not quiet)
    if choices and not quiet:
        _give(browsing_text.lines_for(browsed, choices), args)
    return exits.NO_FINDING


def endpoint_of(wanted: str | None, site: Site) -> str:
    """The endpoint that is meant: the one that is named, or the only one."""
    known = [name for name, item in site.endpoints.items() if isinstance(item, OpcUaEndpoint)]
    if wanted is None and len(known) == 1:
        return known[0]
    if wanted not in known or wanted is None:
        what = "say which OPC UA endpoint to browse" if wanted is None else f"there is no OPC UA endpoint {wanted!r}"
        fix = f"one of {', '.join(known)}" if known else "the site file declares none: add one below `endpoints`"
        raise TallywireError(what, where="--endpoint", fix=fix)
    return wanted


def _choose(given: str | None, browsed: Browsed, site: Site, *, ask: bool) -> list[Choice]:
    """What was asked for by option, or what somebody answers; without a terminal all proposals."""
    from collector.commissioning.browsing_text import chosen, proposed

    if given is not None:
        return chosen(given, browsed, site)
    if not (ask and sys.stdin.isatty()):
        return proposed(browsed)
    while True:
        sys.stdout.write(ASK)
        sys.stdout.flush()
        try:
            return chosen(sys.stdin.readline(), browsed, site)
        except TallywireError as error:
            sys.stdout.write(f"{error}\n")


def _give(lines: str, args: argparse.Namespace) -> None:
    if args.write is not None:
        write_new(args.write, lines.encode(), "the tags")
        sys.stdout.write(f"The tags are in {args.write}: paste them into the site file, then run tallywire survey.\n")
        return
    sys.stdout.write("To paste into the site file; look at each before you do:\n\n" + lines)
