"""`tallywire history`: is it whole, take samples out, bring recorded files in, drop old days."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from config.errors import StoreError, TallywireError

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from checks.samples import Samples
    from collector.history.layout import Layout
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
        "verify",
        help="whether every stored day is as it was written",
        description="Reads everything, changes nothing; also while the service runs.",
    )
    verify.set_defaults(run=run_verify)
    export = commands.add_parser(
        "export",
        help="samples of a loop as CSV or Parquet",
        description="In the form that `replay` and `import` read, each column with its unit; also while the service runs.",
    )
    export.add_argument("--loop", required=True, metavar="LOOP", help="one loop; its tags are the columns")
    export.add_argument("--from", dest="begin", required=True, metavar="DAY", help="first local day, such as 2027-03-01")
    export.add_argument("--to", dest="end", required=True, metavar="DAY", help="local day after the last")
    export.add_argument("--out", required=True, type=Path, metavar="FILE", help="ends in .csv or .parquet")
    export.set_defaults(run=run_export)
    take = commands.add_parser(
        "import",
        help="bring recorded files into the history",
        description="While the service does not run. Each second is taken once: what is there stays, so that the same command may "
        "be given again. A day that is sealed already takes no more. Reads all that `replay` reads.",
    )
    take.add_argument(
        "--data-file", required=True, action="append", metavar="FILE",
        help="CSV, Parquet or an export of a historian; a folder LOOP/DAY.parquet of sealed days, a URL, or a pattern in quotes "
        "such as 'FOLDER/*.csv'; more than once for more files",
    )  # fmt: skip
    take.add_argument("--map", type=Path, metavar="FILE", help="column map: name in the data,<loop>.<role>")
    take.add_argument("--loop", metavar="LOOP", help="this loop only")
    take.set_defaults(run=run_import)
    prune = commands.add_parser(
        "prune",
        help="drop samples that are older than a day",
        description="While the service does not run. Only says what would go, unless --yes is there. Rollups, and with them trends "
        "and totals, stay.",
    )
    prune.add_argument("--before", required=True, metavar="DAY", help="UTC day; samples of earlier days go")
    prune.add_argument("--loop", metavar="LOOP", help="of this loop only")
    prune.add_argument("--yes", action="store_true", help="really drop them; there is no way back but a backup")
    prune.set_defaults(run=run_prune)
    for command in (verify, export, take, prune):
        command.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
        command.add_argument("--data", type=Path, metavar="DIR", help="data folder of the service")


def run_verify(args: argparse.Namespace) -> int:
    """Say what is damaged; 1 where anything is."""
    from collector.history.proof import prove
    from collector.replay.progress import telling_part
    from collector.replay.text import wrapped

    _, store = _open(args, read_only=True)
    try:
        with telling_part("verify") as tell:
            found = prove(store.layout, store.state, tell)
    finally:
        store.close()
    lines = []
    for damage in found.damages:
        lines += [
            *wrapped(f"{_within(damage.path, store.layout)}: {damage.what}", first="! ", rest="  "),
            *wrapped(damage.means, first="    ", rest="    "),
        ]
    lines += wrapped(
        f"{found.days} sealed days with {found.rows:,} rows and {found.databases} databases were read; "
        + (f"{len(found.damages)} damaged." if found.damages else "all as they were written.")
    )
    if found.damages:
        said = (
            "Put the damaged files back from a backup (`tallywire restore` writes one into an empty folder, to copy from), then verify "
            "again. What replays or exports a damaged day stops at it."
        )
        lines += wrapped(said)
    sys.stdout.write("\n".join(lines) + "\n")
    return exits.FINDINGS if found.damages else exits.NO_FINDING


def run_export(args: argparse.Namespace) -> int:
    """Write the samples; 3 where there are none."""
    from zoneinfo import ZoneInfo

    from collector.cli.days import day_of, loop_of
    from collector.history.outgoing import write_csv, write_parquet
    from collector.local_days import midnight
    from collector.replay.progress import telling_part

    if args.out.suffix.lower() not in (".csv", ".parquet"):
        raise TallywireError(f"{args.out.name!r} ends in neither .csv nor .parquet", where="--out", fix="name it so")
    site, store = _open(args, read_only=True)
    try:
        loop, zone = loop_of(args.loop, site.loops), ZoneInfo(site.time_zone)
        begin, end = midnight(day_of(args.begin, "--from"), zone), midnight(day_of(args.end, "--to"), zone)
        if end <= begin:
            raise TallywireError("the time does not end after it begins", where="--to", fix="the day after the last")
        write = write_csv if args.out.suffix.lower() == ".csv" else write_parquet
        with telling_part("export") as tell:

            def scan() -> Iterator[Samples]:
                for samples in store.scan(loop, begin, end):
                    tell((int(samples.time_s[0]) - begin) / (end - begin))
                    yield samples

            rows = write(args.out, scan, list(site.loops[loop].tags))
        there = store.extent(loop)
    finally:
        store.close()
    if rows:
        sys.stdout.write(f"{rows:,} rows of {loop} in {args.out}\n")
        return exits.NO_FINDING
    known = "none at all" if there is None else f"they reach from {_when(there[0], zone)} to {_when(there[1], zone)}"
    sys.stdout.write(f"There are no samples of {loop} in that time ({known}).\nNothing was written.\n")
    return exits.NOTHING_EVALUATED


def run_import(args: argparse.Namespace) -> int:
    """Bring files in; 3 where they held nothing new."""
    from collector.clock import SystemClock
    from collector.history.bulk import LoopImport
    from collector.history.layout import day_name
    from collector.replay.columns import read_map
    from collector.replay.preparing import Wanted, prepared
    from collector.replay.progress import telling_part
    from collector.replay.text import wrapped
    from config.load import load_site

    wanted = Wanted(
        data=tuple(args.data_file), column_map=None if args.map is None else read_map(args.map), loop=args.loop
    )  # fmt: skip
    done: list[LoopImport] = []
    with prepared(load_site(args.site), wanted) as found:
        sys.stdout.write("\n".join(line for note in found.notes for line in wrapped(note, first="note: ", rest="      ")))
        sys.stdout.write("\n" if found.notes else "")
        site = found.job.site
        _, store = _open(args, read_only=False)
        try:
            with telling_part("import") as tell:
                for place, loop in enumerate(site.loops):
                    done.append(LoopImport(store, site, loop, now=SystemClock().now()))
                    for part in found.job.source.of(loop).parts(site, loop, 0):
                        done[-1].push(part.samples)
                        tell((place + part.done) / len(site.loops))
                    done[-1].finish()
        finally:
            store.close()
    for one in done:
        there = one.read - one.rows
        sys.stdout.write(
            f"{one.loop}: {one.rows:,} rows were taken{f', {there:,} not: that time is there already' if there else ''}\n"
        )
        if one.closed:
            days = ", ".join(map(day_name, one.closed[:5])) + (
                f" and {len(one.closed) - 5} more" if len(one.closed) > 5 else ""
            )
            said = (
                f"{days}: sealed already with fewer rows than these files have, and a sealed day takes no more. To have the files "
                f"instead, drop what is there (`tallywire history prune`) and import again."
            )
            sys.stdout.write("\n".join(wrapped(said, first="  ", rest="  ")) + "\n")
    return exits.NO_FINDING if any(one.rows for one in done) else exits.NOTHING_EVALUATED


def run_prune(args: argparse.Namespace) -> int:
    """Drop old days, or say which would go."""
    from datetime import UTC, datetime

    from collector.cli.days import day_of, loop_of
    from collector.clock import SystemClock
    from collector.history.layout import day_name
    from collector.history.layout import day_of as day_number
    from collector.history.store import Event

    day = day_of(args.before, "--before")
    before = day_number(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp())
    site, store = _open(args, read_only=not args.yes)
    try:
        wanted = None if args.loop is None else loop_of(args.loop, {*site.loops, *(loop for loop, _ in store.sealed_days())})
        old = [one for one in store.sealed_days() if one[1] < before and wanted in (None, one[0])]
        room = {one: path.stat().st_size for one in old if (path := store.layout.archive(*one)).exists()}
        for loop in sorted({loop for loop, _ in old}):
            days = [number for name, number in old if name == loop]
            size = sum(size for one, size in room.items() if one[0] == loop) / 1e6
            sys.stdout.write(
                f"{loop:<16.15}{len(days):>6} days  {day_name(days[0])} to {day_name(days[-1])}{size:>12,.1f} MB\n"
            )
        for one in old if args.yes else ():
            store.drop_day(one)
        total = f"{len(old):,} sealed loop-days before {day.isoformat()}, {sum(room.values()) / 1e6:,.1f} MB"
        if args.yes and old:
            of = f" of {wanted}" if wanted else ""
            text = f"the samples of {len(old)} loop-days{of} before {day.isoformat()} were dropped by hand"
            store.add_event(Event(time=SystemClock().now(), loop=wanted or "", kind="history-dropped", text=text))
    finally:
        store.close()
    if not old:
        sys.stdout.write(f"There is no sealed day before {day.isoformat()}.\n")
    elif args.yes:
        sys.stdout.write(f"{total}: dropped.\nTheir rollups stay, so trends and totals of that time do too.\n")
    else:
        sys.stdout.write(f"{total}: would be dropped.\nNothing was changed; the same command with --yes does it.\n")
    return exits.NO_FINDING


def _within(path: Path, layout: Layout) -> Path:
    """A file as it lies in the data folder, or in the folder of sealed days where that lies elsewhere."""
    root = next((root for root in (layout.root, layout.sealed) if path.is_relative_to(root)), None)
    return path if root is None else path.relative_to(root)


def _when(time_s: int, zone: ZoneInfo) -> str:
    from datetime import datetime

    return datetime.fromtimestamp(time_s, zone).strftime("%Y-%m-%d %H:%M")


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
