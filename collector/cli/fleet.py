"""`tallywire fleet`: the loops of a site compared over some days, the worst first."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from config.errors import TallywireError

if TYPE_CHECKING:
    from collector.history.hour_rows import FleetLine

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]

BY = ("divergence", "uptime", "rate", "findings")


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "fleet",
        help="compare many loops over some days: the worst by divergence, uptime, rate or findings",
        description="One line a loop from the stored hours, the worst first: PLC totalizer against gauge totalizer, PLC flow against "
        "gauge flow, the share of the time that was measured (time of which nothing is stored was not), and the alerts raised.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--by", choices=BY, default=BY[0], help="what is compared (default: divergence of the totalizers)")
    parser.add_argument("--from", dest="begin", metavar="DAY", help="first local day (default: the first of this month)")
    parser.add_argument("--to", dest="end", metavar="DAY", help="local day after the last (default: tomorrow)")
    parser.add_argument("--top", type=int, default=50, metavar="N", help="so many loops at most (default 50)")
    parser.add_argument("--data", type=Path, metavar="DIR", help="data folder of the service")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the loops; 3 where nothing is stored of that time."""
    from datetime import timedelta
    from zoneinfo import ZoneInfo

    from collector.cli.days import day_of
    from collector.clock import SystemClock
    from collector.data_folder import data_folder
    from collector.history.hour_rows import By
    from collector.history.opening import open_store
    from collector.local_days import local_day, midnight
    from collector.replay.text import wrapped
    from config.load import load_site

    if args.top < 1:
        raise TallywireError(f"{args.top} loops cannot be shown", where="--top", fix="1 or more")
    site = load_site(args.site).site
    zone, clock = ZoneInfo(site.time_zone), SystemClock()
    today = local_day(clock.now(), zone)
    first = today.replace(day=1) if args.begin is None else day_of(args.begin, "--from")
    after = today + timedelta(days=1) if args.end is None else day_of(args.end, "--to")
    begin, end = midnight(first, zone), midnight(after, zone)
    if end <= begin:
        raise TallywireError("the time does not end after it begins", where="--to", fix="the day after the last")
    store = open_store(data_folder(args.data, site, make=False), site, clock=clock, read_only=True)
    try:
        lines = store.fleet(By(args.by), begin, min(end, max(begin + 3600, int(clock.now()))), args.top)
    finally:
        store.close()
    if not any(line.uptime or line.gauge_t or line.findings for line in lines):
        sys.stdout.write(f"Nothing is stored of {first} to before {after}; the trend page shows what there is.\n")
        return exits.NOTHING_EVALUATED
    head = f"{site.site}: the worst {len(lines)} of {len(site.loops)} loops by {args.by}, {first} to before {after}"
    note = "measured: share of that time; time of which nothing is stored counts as not measured"
    sys.stdout.write("\n".join([*wrapped(head), "", HEAD, *map(_line, lines), "", *wrapped(note)]) + "\n")
    return exits.NO_FINDING


HEAD = f"{'loop':<16}{'totals %':>10}{'rate %':>9}{'measured %':>12}{'alerts':>8}{'gauge t':>12}{'PLC t':>12}"


def _line(line: FleetLine) -> str:
    divergence, rate = (f"{value:+.2f}" if value is not None else "-" for value in (line.divergence, line.rate))
    return f"{line.loop:<16.15}{divergence:>10}{rate:>9}{line.uptime:>12.1f}{line.findings:>8}{line.gauge_t:>12.1f}{line.plc_t:>12.1f}"
