"""`tallywire report totals` and `report month`: tonnes three ways, the best estimate, and why they differ."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from collector.cli.days import day_of, loop_of
from config.errors import TallywireError

if TYPE_CHECKING:
    from checks.accounting.calendar import Period
    from config.model import Site

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]

MOST_DAYS = 3 * 366


def add(reports: Subparsers) -> None:
    """Add the two reports."""
    totals = reports.add_parser(
        "totals",
        help="tonnes by shift, day or month, the best estimate and why it differs",
        description="Gauge, PLC and own totals by shift, day or month in the calendar of the site, the best estimate with its "
        "expanded uncertainty, the way from booked to best, and what creeps; it only reads.",
    )
    _common(totals)
    totals.add_argument("--from", dest="begin", required=True, metavar="DAY", help="first day, such as 2026-03-01")
    totals.add_argument("--to", dest="end", required=True, metavar="DAY", help="day after the last, such as 2026-04-01")
    totals.add_argument(
        "--by", choices=("shift", "day", "month"), default="day", help="one row a shift, day (default) or month"
    )
    totals.set_defaults(run=run_totals)
    month = reports.add_parser(
        "month",
        help="the account of a month by day",
        description="The account of a month by day, in the calendar of the site; it only reads.",
    )
    _common(month)
    month.add_argument("--month", required=True, metavar="MONTH", help="such as 2026-03")
    month.set_defaults(run=run_month)


def _common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--loop", metavar="LOOP", help="this loop only")
    parser.add_argument("--csv", type=Path, metavar="OUT", help="write one row a loop and period to OUT (`-`: stdout, no text)")
    parser.add_argument("--data", type=Path, metavar="DIR", help="data folder of the service")


def run_totals(args: argparse.Namespace) -> int:
    """Print the accounts, or write them as CSV; 3 where nothing was measured or booked."""
    from collector.accounts.periods import parts_of
    from config.load import load_site

    site = load_site(args.site).site
    first, last = day_of(args.begin, "--from"), day_of(args.end, "--to")
    if not first < last:
        raise TallywireError("--from is not before --to", where="--from", fix="name an earlier day")
    if (last - first).days > MOST_DAYS:
        raise TallywireError("the time is longer than three years", where="--to", fix="ask for a part of it")
    return _report(args, site, parts_of(site, args.by, first, last - timedelta(days=1)))


def run_month(args: argparse.Namespace) -> int:
    """Print the account of a month, or write it as CSV; 3 where nothing was measured or booked."""
    from collector.accounts.periods import parts_of, period_named
    from config.load import load_site

    site = load_site(args.site).site
    try:
        named = period_named(site, "month", args.month)
        first = day_of(f"{args.month}-01", "--month")
        after = (first + timedelta(days=32)).replace(day=1)
    except (ValueError, OverflowError):
        raise TallywireError(f"{args.month!r} is no month", where="--month", fix="write it as 2026-03") from None
    return _report(args, site, parts_of(site, "day", first, after - timedelta(days=1)), named)


def _report(args: argparse.Namespace, site: Site, parts: Sequence[Period], named: Period | None = None) -> int:
    from zoneinfo import ZoneInfo

    from collector.accounts import account, periods, table, text
    from collector.alerts.model import Alert
    from collector.clock import SystemClock
    from collector.data_folder import data_folder
    from collector.history.alert_rows import AlertRows
    from collector.history.opening import open_store

    loops = [loop_of(args.loop, site.loops)] if args.loop is not None else list(site.loops)
    clock, zone = SystemClock(), ZoneInfo(site.time_zone)
    now = clock.now()
    if not periods.begun(parts, now):
        raise TallywireError(
            "the time lies ahead", where="--from" if args.run is run_totals else "--month", fix="name an earlier one"
        )
    store = open_store(data_folder(args.data, site, make=False), site, clock=clock, read_only=True)

    def past(since: float, until: float, most: int) -> list[Alert]:
        with store.state.transaction() as connection:
            return AlertRows(connection).raised(since, until, most)

    try:
        found = account.worst_first(account.read(site, store, past, loop, parts, now, named=named) for loop in loops)
    finally:
        store.close()
    if args.csv is not None:
        _write(args.csv, table.csv_text(found, zone))
    if str(args.csv) != "-":
        sys.stdout.write("\n".join(text.lines_of(found, zone)) + "\n")
    known = any(one.measured for one in found)
    return exits.NO_FINDING if known else exits.NOTHING_EVALUATED


def _write(path: Path, text: str) -> None:
    if str(path) == "-":
        sys.stdout.write(text)
        return
    try:
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise TallywireError(f"the file cannot be written ({error.strerror})", where=str(path), fix="name another") from error
