"""`tallywire plan`: how long to tare and calibrate, what to expect, and when the source is due."""

from __future__ import annotations

import argparse
import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from collector.cli.days import day_of, loop_of
from config.errors import TallywireError

if TYPE_CHECKING:
    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "plan",
        help="times of tare, background and span run, tables of what to expect",
        description="From the site file: how long to count for a background, a tare and a span run, the table of the loop check, the "
        "count rates from empty to full, the decay over a year and the day on which the source is due.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--loop", metavar="LOOP", help="this loop only")
    parser.add_argument("--date", metavar="DAY", help="the day of the work, such as 2027-03-01 (default: today)")
    parser.add_argument(
        "--uncertainty",
        default="",
        metavar="FLOW",
        help="wanted uncertainty of the flow, k = 2, such as '2 t/h' (default: 0.5 %% of range)",
    )
    parser.add_argument(
        "--span-uncertainty", metavar="PERCENT", type=float, default=0.25, help="of a span run, k = 2 [%%] (default: 0.25)"
    )
    parser.add_argument(
        "--noise",
        default="",
        metavar="FLOW",
        help="noise at full load at which the source is due, k = 2 (default: 3 %% of range)",
    )
    parser.add_argument("--json", action="store_true", help="print the plan as one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the plan of every loop asked for."""
    from collector.clock import SystemClock
    from collector.commissioning.plan import flow_of, make_plan, text
    from config.load import load_site

    site = load_site(args.site).site
    if args.loop is not None:
        loop_of(args.loop, site.loops)
    if not args.span_uncertainty > 0.0:
        raise TallywireError("the uncertainty is not above zero", where="--span-uncertainty", fix="such as 0.25")
    wanted, noise = (flow_of(getattr(args, name), f"--{name}") for name in ("uncertainty", "noise"))
    day_s = SystemClock().now() if args.date is None else _day(args.date)
    loops = [args.loop] if args.loop else list(site.loops)
    plans = [make_plan(site, loop, day_s, wanted=wanted, wanted_span=args.span_uncertainty, noise=noise) for loop in loops]
    if args.json:
        sys.stdout.write(json.dumps([plan.plain() for plan in plans], indent=2) + "\n")
    else:
        sys.stdout.write("\n\n".join(text(plan) for plan in plans))
    return exits.NO_FINDING


def _day(text: str) -> float:
    day = day_of(text, "--date")
    return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()
