"""`tallywire restore`: a backup back into an empty data folder, proved afterwards."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits

if TYPE_CHECKING:
    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "restore",
        help="put a backup into an empty data folder",
        description="While the service does not run. Checks the whole backup before it writes, never overwrites a history, and "
        "proves what it wrote. The site file of the backup lies in its folder `site`.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--from", dest="source", type=Path, required=True, metavar="DIR", help="folder of the backups")
    parser.add_argument("--at", metavar="TIME", help="name of a backup in it, such as 20270301T031700Z (default: the newest)")
    parser.add_argument("--data", type=Path, metavar="DIR", help="data folder of the service")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Restore and prove; 1 where what was written is not whole."""
    from collector.clock import SystemClock
    from collector.data_folder import data_folder
    from collector.history.layout import Layout
    from collector.history.proof import prove
    from collector.history.restore import restore
    from collector.history.sqlite import open_store
    from collector.replay.text import wrapped
    from config.errors import TallywireError
    from config.load import load_site

    site = load_site(args.site).site
    if site.history.shared:
        raise TallywireError(
            "the history of this site lies in a PostgreSQL database", where="history",
            fix="deploy/postgres/restore: pg_restore into an empty database, and the folder of sealed days back",
        )  # fmt: skip
    layout = Layout(data_folder(args.data, site))
    done = restore(args.source, layout, site.site, args.at)
    store = open_store(layout.root, site, clock=SystemClock())
    try:
        found = prove(layout, store.state)
    finally:
        store.close()
    told = (
        f"{layout.root}: the backup {done.stamp} of {done.label.site}, made by Tallywire {done.label.tallywire}. "
        f"{found.days} sealed days with {found.rows:,} rows and {found.databases} databases were read again; "
        + (f"{len(found.damages)} damaged: see `tallywire history verify`." if found.damages else "all as they were written.")
    )
    sys.stdout.write("\n".join(wrapped(told)) + "\n")
    return exits.FINDINGS if found.damages else exits.NO_FINDING
