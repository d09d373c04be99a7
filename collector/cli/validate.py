"""`tallywire validate`: is the site file right, and what can each loop verify?"""

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
        "validate",
        help="check a site file and say what each loop can and cannot verify",
        description="Reads a site file, reports every problem at once with line and remedy, and says link by link what each "
        "loop can verify with the tags it has.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", nargs="?", help="site file (YAML)")
    parser.add_argument("--schema", action="store_true", help="print the JSON Schema of the site file and leave")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the schema, or the summary of a sound site file; a bad one leaves as `SiteFileError`."""
    if args.schema:
        from config.schema import site_schema

        sys.stdout.write(json.dumps(site_schema(), indent=2) + "\n")
        return exits.NO_FINDING
    if args.site is None:
        raise TallywireError("no site file is named", fix="tallywire validate SITE.yaml, or tallywire validate --schema")
    from collector.commissioning.coverage import summary
    from config.load import load_site

    sys.stdout.write(summary(load_site(args.site)))
    return exits.NO_FINDING
