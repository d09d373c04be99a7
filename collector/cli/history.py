"""`tallywire history`: is it whole, take samples out, bring recorded files in, drop old days."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from config.errors import StoreError, TallywireError

if TYPE_CHECKING:
    from collector.history.tiers import TieredStore
    from config.model import Site

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the group and its commands."""
    parser = subparsers.add_parser(
        "history", help="verify, export, import or prune the history", description="The history of a site on this machine."
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    verify = commands.add_parser(
        "verify", help="whether every stored day is as it was written", description="Reads everything, changes nothing."
    )
    verify.set_defaults(run=run_verify)
    export = commands.add_parser(
        "export", help="samples of a loop as CSV or Parquet", description="In the form that `replay` and `import` read."
    )
    export.add_argument("--loop", required=True, metavar="LOOP")
    export.add_argument("--from", dest="begin", required=True, metavar="DAY", help="first local day, such as 2027-03-01")
    export.add_argument("--to", dest="end", required=True, metavar="DAY", help="local day after the last")
    export.add_argument("--out", required=True, type=Path, metavar="FILE", help="ends in .csv or .parquet")
    export.set_defaults(run=run_export)
    take = commands.add_parser(
        "import",
        help="bring a recorded file into the history",
        description="While the service does not run. What is there stays.",
    )
    take.add_argument("--data-file", required=True, type=Path, metavar="FILE", help="CSV or Parquet as `replay` reads it")
    take.set_defaults(run=run_import)
    prune = commands.add_parser(
        "prune", help="drop samples that are older than a day", description="While the service does not run. Rollups stay."
    )
    prune.add_argument("--before", required=True, metavar="DAY", help="UTC day; samples of earlier days go")
    prune.add_argument("--yes", action="store_true", help="really drop them; without it they are only counted")
    prune.set_defaults(run=run_prune)
    for command in (verify, export, take, prune):
        command.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
        command.add_argument("--data", type=Path, metavar="DIR", help="data folder of the service")


def run_verify(args: argparse.Namespace) -> int:
    """Say what is damaged; 1 where anything is."""
    from collector.history.proof import prove
    from collector.replay.text import wrapped

    _, store = _open(args, read_only=True)
    try:
        found = prove(store.layout, store.state)
    finally:
        store.close()
    lines = []
    for damage in found.damages:
        lines += [
            *wrapped(f"{damage.path.name}: {damage.what}", first="! ", rest="  "),
            *wrapped(damage.means, first="    ", rest="    "),
        ]
    lines += wrapped(
        f"{found.days} sealed days with {found.rows:,} rows and {found.databases} databases were read; "
        + (f"{len(found.damages)} damaged." if found.damages else "all as they were written.")
    )
    sys.stdout.write("\n".join(lines) + "\n")
    return exits.FINDINGS if found.damages else exits.NO_FINDING


def run_export(args: argparse.Namespace) -> int:
    """Write the samples; 3 where there are none."""
    from zoneinfo import ZoneInfo

    from collector.cli.days import day_of, loop_of
    from collector.history.outgoing import write_csv, write_parquet
    from collector.local_days import midnight

    if args.out.suffix.lower() not in (".csv", ".parquet"):
        raise TallywireError(f"{args.out.name!r} ends in neither .csv nor .parquet", where="--out", fix="name it so")
    site, store = _open(args, read_only=True)
    try:
        loop, zone = loop_of(args.loop, site.loops), ZoneInfo(site.time_zone)
        begin, end = midnight(day_of(args.begin, "--from"), zone), midnight(day_of(args.end, "--to"), zone)
        if end <= begin:
            raise TallywireError("the time does not end after it begins", where="--to", fix="the day after the last")
        write = write_csv if args.out.suffix.lower() == ".csv" else write_parquet
        rows = write(args.out, store.scan(loop, begin, end), list(site.loops[loop].tags))
    finally:
        store.close()
    sys.stdout.write(f"{rows:,} rows of {loop} in {args.out}\n" if rows else f"There are no samples of {loop} in that time.\n")
    return exits.NO_FINDING if rows else exits.NOTHING_EVALUATED


def run_import(args: argparse.Namespace) -> int:
    """Bring a file in; 3 where it held nothing new."""
    from collector.clock import SystemClock
    from collector.history.bulk import bulk_import

    site, store = _open(args, read_only=False)
    try:
        rows = bulk_import(store, site, args.data_file, now=SystemClock().now())
    finally:
        store.close()
    sys.stdout.write(f"{rows:,} rows were taken.\n")
    return exits.NO_FINDING if rows else exits.NOTHING_EVALUATED


def run_prune(args: argparse.Namespace) -> int:
    """Drop old days, or count them."""
    from datetime import UTC, datetime

    from collector.cli.days import day_of
    from collector.history.layout import day_of as day_number

    day = day_of(args.before, "--before")
    before = day_number(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp())
    _, store = _open(args, read_only=not args.yes)
    try:
        old = [one for one in store.sealed_days() if one[1] < before]
        for one in old if args.yes else ():
            store.drop_day(one)
    finally:
        store.close()
    done = "were dropped" if args.yes else "would be dropped (say --yes to do it)"
    sys.stdout.write(f"{len(old):,} loop-days before {day.isoformat()} {done}; their rollups stay.\n")
    return exits.NO_FINDING


def _open(args: argparse.Namespace, *, read_only: bool) -> tuple[Site, TieredStore]:
    from collector.clock import SystemClock
    from collector.data_folder import data_folder
    from collector.history.opening import open_store
    from config.load import load_site

    site = load_site(args.site).site
    try:
        return site, open_store(
            data_folder(args.data, site, make=not read_only), site, clock=SystemClock(), read_only=read_only
        )
    except StoreError as error:
        raise StoreError(error.what, where=error.where, fix=error.fix or "stop the service first") from error
