"""`tallywire backup`: a consistent copy of the history while the service runs."""

from __future__ import annotations

import argparse
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
        "backup",
        help="copy the history, also while the service runs",
        description="Copies databases, sealed days and the site file into a folder. Run it again on the same folder: sealed days "
        "that are there already are not copied twice. Secrets, keys and certificates are not part of it. A shared "
        "history in PostgreSQL is backed up by deploy/postgres/backup.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--to", type=Path, required=True, metavar="DIR", help="folder of the backups, best on another disk")
    parser.add_argument("--keep", type=int, metavar="N", help="drop all but the newest N backups (default: drop none)")
    parser.add_argument("--data", type=Path, metavar="DIR", help="data folder of the service")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Take a backup and say where it lies."""
    from importlib.metadata import version

    from collector.clock import SystemClock
    from collector.data_folder import data_folder
    from collector.history.backup import take_backup
    from collector.history.layout import Layout
    from collector.replay.text import wrapped
    from config.load import load_site

    if args.keep is not None and args.keep < 1:
        raise TallywireError(f"{args.keep} backups cannot be kept", where="--keep", fix="1 or more")
    loaded = load_site(args.site)
    if loaded.site.history.shared:
        raise TallywireError(
            "the history of this site lies in a PostgreSQL database",
            where="history",
            fix="deploy/postgres/backup: pg_dump of that database, then a copy of the folder of sealed days (history.archive)",
        )
    layout, now = Layout(data_folder(args.data, loaded.site, make=False)), SystemClock().now()
    inside = args.to.resolve().is_relative_to(layout.root.resolve())
    if inside:
        raise TallywireError("the backup would lie inside the data folder", where="--to", fix="name a folder on another disk")
    done = take_backup(layout, loaded.site.site, loaded.files, args.to, now=now, version=version("tallywire"), keep=args.keep)
    told = (
        f"{done.folder}: {len(done.label.days)} sealed days ({done.new_days} of them new here) and "
        f"{sum(name.endswith('.db') for name in done.label.files)} databases, {done.bytes / 1e6:,.1f} MB written. "
        "Secrets, keys and certificates are not in it."
    )
    sys.stdout.write("\n".join(wrapped(told)) + "\n")
    return exits.NO_FINDING
