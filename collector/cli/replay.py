"""`tallywire replay`: the same verification of a recorded file, offline."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

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
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML); needs no addresses")
    parser.add_argument("--data", type=Path, metavar="FILE", required=True, help="recorded data, CSV or Parquet")
    parser.add_argument(
        "--map", type=Path, metavar="FILE", help="column map: a CSV of two columns, name in the data, <loop>.<role>"
    )
    parser.add_argument(
        "--json", type=Path, metavar="OUT", help="also write the report as one JSON object (`-`: stdout, no text)"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Replay, print the report, return 0, 1 or 3."""
    from collector.replay.run import replay_command

    return replay_command(args.site, args.data, column_map=args.map, json_out=args.json)
