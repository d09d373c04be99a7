"""`tallywire report`: what the history says of a time, one subcommand a report."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits, report_totals
from collector.cli.days import day_of
from config.errors import TallywireError

if TYPE_CHECKING:
    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the group and its reports."""
    parser = subparsers.add_parser(
        "report", help="reports from the history: uptime, totals, month", description="Reports from the history."
    )
    reports = parser.add_subparsers(title="reports", metavar="REPORT", required=True)
    _add_uptime(reports)
    report_totals.add(reports)


def _add_uptime(reports: Subparsers) -> None:
    parser = reports.add_parser(
        "uptime",
        help="availability, hours not measuring, failures and repairs",
        description="Availability, hours not measuring, failures with MTBF and MTTR, and causes, from the history; it only reads.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--from", dest="begin", required=True, metavar="DAY", help="first local day, such as 2026-03-01")
    parser.add_argument("--to", dest="end", required=True, metavar="DAY", help="local day after the last, such as 2026-04-01")
    parser.add_argument("--loop", metavar="LOOP", help="this loop only")
    parser.add_argument("--csv", type=Path, metavar="OUT", help="write one row a loop and day to OUT (`-`: stdout, no text)")
    parser.add_argument("--data", type=Path, metavar="DIR", help="data folder of the service")
    parser.set_defaults(run=run_uptime)


def run_uptime(args: argparse.Namespace) -> int:
    """Print the report, or write it as CSV; 3 where nothing was required."""
    from zoneinfo import ZoneInfo

    from collector import uptime
    from collector.alerts.model import Alert
    from collector.clock import SystemClock
    from collector.data_folder import data_folder
    from collector.history.alert_rows import AlertRows
    from collector.history.opening import open_store
    from collector.local_days import midnight
    from collector.uptime_text import lines_of
    from config.load import load_site

    site = load_site(args.site).site
    zone = ZoneInfo(site.time_zone)
    first, last = day_of(args.begin, "--from"), day_of(args.end, "--to")
    if not first < last:
        raise TallywireError("--from is not before --to", where="--from", fix="name an earlier day")
    if args.loop is not None and args.loop not in site.loops:
        raise TallywireError(f"this site has no loop {args.loop!r}", where="--loop", fix=f"one of {', '.join(site.loops)}")
    clock = SystemClock()
    begin, end = midnight(first, zone), min(midnight(last, zone), int(clock.now()))
    if not begin < end:
        raise TallywireError("the time lies ahead", where="--from", fix="name a day that has begun")
    store = open_store(data_folder(args.data, site, make=False), site, clock=clock, read_only=True)

    def past(since: float, until: float, most: int) -> list[Alert]:
        with store.state.transaction() as connection:
            return AlertRows(connection).raised(since, until, most)

    try:
        loops = [args.loop] if args.loop else list(site.loops)
        found = [uptime.read(store, past, loop, begin, end) for loop in loops]
    finally:
        store.close()
    if args.csv is not None:
        text = uptime.csv_text(found, zone)
        if str(args.csv) == "-":
            sys.stdout.write(text)
        else:
            try:
                args.csv.write_text(text, encoding="utf-8", newline="")
            except OSError as error:
                raise TallywireError(
                    f"the file cannot be written ({error.strerror})", where=str(args.csv), fix="name another"
                ) from error
    if str(args.csv) != "-":
        sys.stdout.write("\n".join(lines_of(found, zone)) + "\n")
    return exits.NO_FINDING if any(one.tally.required for one in found) else exits.NOTHING_EVALUATED
