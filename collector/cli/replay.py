"""`tallywire replay`: the same verification of a recorded file, offline."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from config.errors import TallywireError

if TYPE_CHECKING:
    from collector.replay.doing import Means
    from collector.replay.preparing import Wanted
    from config.load import LoadedSite

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "replay",
        help="verify recorded files or the stored history",
        description="Verifies recorded files, or the stored history, exactly as the service would have done. A file has a column "
        "`time` (ISO 8601 with zone, or epoch seconds) and one column a tag: `<loop>.<role>`, or the bare role where the site has "
        "one loop; behind the name may stand a unit, such as `TB-07.flow [t/h]`, else that of the site file holds.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", nargs="?", help="site file (YAML); needs no addresses")
    parser.add_argument(
        "--data", action="append", default=[], metavar="FILE",
        help="recorded data, CSV or Parquet: a path, a URL or a pattern such as 'FOLDER/*.csv'; a folder LOOP/DAY.parquet of "
        "sealed days; more than once for more files",
    )  # fmt: skip
    parser.add_argument(
        "--map", type=Path, metavar="FILE", help="column map: a CSV of two columns, name in the data, <loop>.<role>"
    )
    parser.add_argument(
        "--json", type=Path, metavar="OUT", help="also write the report as one JSON object (`-`: stdout, no text)"
    )
    parser.add_argument(
        "--from", dest="begin", metavar="DAY", help="from this local day; without --data: of the stored history"
    )
    parser.add_argument(
        "--to", dest="end", metavar="DAY", help="up to this local day (exclusive); without it: to the end of what is there"
    )
    parser.add_argument("--loop", metavar="LOOP", help="this loop only")
    parser.add_argument(
        "--kept", action="append", default=[], metavar="ROLE=HOW",
        help="what the recorder kept of a tag: step (a value at each change) or line (ends of straight lines), its deadband and "
        "the longest time without a value, such as flow=step:'0.5 t/h':'10 min'; the deadband enters the uncertainty",
    )  # fmt: skip
    parser.add_argument("--history", type=Path, metavar="DIR", help="data folder of the service (default: its usual place)")
    how = parser.add_argument_group("long replays")
    how.add_argument(
        "--resume", type=Path, metavar="BOOK", help="keep what is done in this folder; the same command goes on from there"
    )
    how.add_argument("--workers", type=int, default=0, metavar="N", help="loops in N processes (default: one after the other)")
    how.add_argument(
        "--cluster", default="", metavar="ADDRESS",
        help="loops on the Dask cluster of this scheduler, tls:// or on this machine; its workers run the code of whoever may "
        "send to it and must see the data under the same paths",
    )  # fmt: skip
    other = parser.add_argument_group("what would have been told")
    other.add_argument("--what-if", type=Path, metavar="SITE", help="replay with this site file too and print the difference")
    other.add_argument(
        "--set", action="append", default=[], metavar="KEY=VALUE",
        help="the same with a setting changed, such as limits.link.fault='0.8 %%' (every loop) or TB-07.gauge.damping='12 s'",
    )  # fmt: skip
    other.add_argument(
        "--false", action="append", default=[], metavar="ID", help="a finding of either side that you know to be false"
    )
    parser.add_argument(
        "--schema",
        action="store_true",
        help="print the JSON Schema of the report (with --what-if: of the difference) and leave",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Replay, print the report, return 0, 1 or 3; or print the schema of the report."""
    asks_what_if = args.what_if is not None or bool(args.set)
    if args.schema:
        from collector.replay import report, whatif_report

        schema = whatif_report.schema if asks_what_if else report.schema
        sys.stdout.write(json.dumps(schema(), indent=2) + "\n")
        return exits.NO_FINDING
    if args.site is None or (not args.data and args.begin is None and args.end is None):
        raise TallywireError(
            "a site file and either recorded data or a time of the history are needed",
            fix="tallywire replay SITE.yaml --data FILE, or --from DAY (and --to DAY) for the stored history",
        )
    if args.data and args.history is not None:
        raise TallywireError("--data and --history exclude each other", fix="name the recorded data or the history, not both")
    if args.workers and args.cluster:
        raise TallywireError("--workers and --cluster exclude each other", fix="name the one that is to do the work")
    from collector.replay.columns import read_map
    from collector.replay.doing import Means, outcome_of, replay_all
    from collector.replay.preparing import Wanted, prepared
    from collector.replay.run import exit_code, tell
    from config.load import load_site

    loaded = load_site(args.site)
    means = Means(workers=args.workers, cluster=args.cluster, book=args.resume)
    wanted = Wanted(
        data=tuple(args.data), column_map=None if args.map is None else read_map(args.map), first=args.begin, after=args.end,
        loop=args.loop, history=args.history, kept=tuple(args.kept),
    )  # fmt: skip
    if asks_what_if:
        return _what_if(args, loaded, wanted, means)
    if args.false:
        raise TallywireError("--false goes with --what-if or --set", where="--false", fix="name what is to be compared")
    with prepared(loaded, wanted, args.resume) as found:
        done = replay_all(found.job, means)
    outcome = outcome_of(found.job, done)
    tell(outcome, args.json, found.source, found.notes, min((one.step_s for one in done if one.rows), default=1))
    return exit_code(outcome)


def _what_if(args: argparse.Namespace, loaded: LoadedSite, wanted: Wanted, means: Means) -> int:
    from collector.replay.changing import changed
    from collector.replay.whatif import what_if
    from config.load import load_site

    other, words = loaded, []
    if args.what_if is not None:
        other = load_site(args.what_if)
        words.append(f"site file {args.what_if.name}")
    if args.set:
        other = changed(other, args.set)
        words += args.set
    return what_if(loaded, other, wanted, means, change=", ".join(words), false=args.false, json_out=args.json)
