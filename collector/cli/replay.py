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
    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "replay",
        help="verify a recorded CSV or Parquet file",
        description="Verifies a recorded file exactly as the service would have done. The file has a column `time` (ISO 8601 "
        "with zone, or epoch seconds) and one column a tag: `<loop>.<role>`, or the bare role where the site has one loop.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", nargs="?", help="site file (YAML); needs no addresses")
    parser.add_argument("--data", type=Path, metavar="FILE", help="recorded data, CSV or Parquet")
    parser.add_argument(
        "--map", type=Path, metavar="FILE", help="column map: a CSV of two columns, name in the data, <loop>.<role>"
    )
    parser.add_argument(
        "--json", type=Path, metavar="OUT", help="also write the report as one JSON object (`-`: stdout, no text)"
    )
    parser.add_argument("--from", dest="begin", metavar="DAY", help="instead of a file: the stored history from this local day")
    parser.add_argument("--to", dest="end", metavar="DAY", help="up to this local day (exclusive)")
    parser.add_argument("--loop", metavar="LOOP", help="of the stored history, this loop only")
    parser.add_argument("--history", type=Path, metavar="DIR", help="data folder of the service (default: its usual place)")
    parser.add_argument("--schema", action="store_true", help="print the JSON Schema of the report and leave")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Replay, print the report, return 0, 1 or 3; or print the schema of the report."""
    if args.schema:
        from collector.replay.report import schema

        sys.stdout.write(json.dumps(schema(), indent=2) + "\n")
        return exits.NO_FINDING
    stored = args.begin is not None and args.end is not None
    if args.site is None or (args.data is None) == (not stored):
        raise TallywireError(
            "a site file and either a recorded file or a time of the history are needed",
            fix="tallywire replay SITE.yaml --data FILE, or --from DAY --to DAY",
        )
    from collector.replay.run import replay_command, replay_stored

    if stored:
        return replay_stored(args.site, args.begin, args.end, loop=args.loop, folder=args.history, json_out=args.json)

    return replay_command(args.site, args.data, column_map=args.map, json_out=args.json)
