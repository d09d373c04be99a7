"""`tallywire audit`: what everybody did, and whether the log of it is unbroken; it only reads."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from collector.cli import chains, exits
from config.errors import TallywireError

if TYPE_CHECKING:
    from collector.access.audit import AuditLog, Entry
    from config.model import Site

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the group and its commands."""
    parser = subparsers.add_parser(
        "audit",
        help="what everybody did: show, verify",
        description="The audit log of a site: who did what, when, from where, what was before and after. It only reads.",
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    show = commands.add_parser("show", help="show entries, newest first", description="Show entries, newest first.")
    _common(show)
    show.add_argument("--who", default="", metavar="NAME", help="of this account or token only")
    show.add_argument("--from", dest="begin", metavar="DAY", help="from this local day on")
    show.add_argument("--to", dest="end", metavar="DAY", help="before this local day")
    show.add_argument("--most", type=int, default=50, metavar="N", help="at most so many (default 50)")
    show.set_defaults(run=run_show)
    verify = commands.add_parser(
        "verify",
        help="whether the chain is unbroken",
        description="Walk the chain of hashes; 1 where it is broken. A log that was cut at its end, or made anew as a whole, shows "
        "only with --head: number and hash as the daily summary told them.",
    )
    _common(verify)
    verify.add_argument("--head", metavar="N=HASH", help="number and hash (or its first 8 signs or more) of an entry")
    verify.set_defaults(run=run_verify)


def _common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--data", type=Path, metavar="DIR", help="data folder of the service")


def run_show(args: argparse.Namespace) -> int:
    """Print the entries."""
    from zoneinfo import ZoneInfo

    from collector.cli.days import day_of
    from collector.local_days import midnight

    if not 1 <= args.most <= 100_000:
        raise TallywireError("so many entries cannot be shown", where="--most", fix="from 1 to 100000")
    with _Open(args) as (site, log):
        zone = ZoneInfo(site.time_zone)
        begin = None if args.begin is None else float(midnight(day_of(args.begin, "--from"), zone))
        end = None if args.end is None else float(midnight(day_of(args.end, "--to"), zone))
        entries = log.newest(begin=begin, end=end, who=args.who, most=args.most)
    if not entries:
        sys.stdout.write("There is no entry that fits.\n")
        return exits.NOTHING_EVALUATED
    for entry in entries:
        sys.stdout.write("\n".join(_lines(entry, site.time_zone)) + "\n")
    return exits.NO_FINDING


def run_verify(args: argparse.Namespace) -> int:
    """Walk the chain; 1 where it breaks."""
    from collector.replay.text import wrapped

    kept = chains.printed(args.head)
    with _Open(args) as (_, log):
        found = log.walk(kept=kept)
    if found.broken is not None:
        return chains.tell_break("entry", "Entries", found.broken.number, found.broken.reason)
    if found.head is None:
        sys.stdout.write("There is no entry.\n")
        return exits.NOTHING_EVALUATED
    sys.stdout.write(f"Unbroken: {found.count} entries, the newest is {found.head.number} with the hash\n{found.head.sha256}\n")
    if kept is not None:
        sys.stdout.write(f"Entry {kept[0]} has the hash that was given.\n")
    else:
        proof = (
            "A log that was cut at its end, or made anew as a whole, shows only with --head and a hash from a daily summary."
        )
        sys.stdout.write("\n".join(wrapped(proof)) + "\n")
    return exits.NO_FINDING


def _lines(entry: Entry, zone: str) -> list[str]:
    from collector.records.content import local
    from collector.replay.text import wrapped

    act = entry.action
    refused = f", refused ({act.status})" if act.status is not None and act.status >= 400 else ""
    subject = f" of {act.subject}" if act.subject else ""
    place = act.address or "an address not stated"
    head = f"{local(act.time, zone)[:19]}  {act.who or act.kind}, from {place}: {act.what}{subject}{refused}"
    out = wrapped(head, first=f"{entry.number:>6}  ", rest=" " * 8)
    for name, values in (("before", act.old), ("after", act.new)):
        if values:
            out += wrapped(_plain(values), first=f"        {name}: ", rest=" " * 10)
    return out


def _plain(values: Mapping[str, Any]) -> str:
    """Values in one line; control signs that a terminal would obey are shown, not sent."""
    text = "; ".join(f"{name}: {value}" for name, value in values.items())
    return "".join(sign if sign.isprintable() else "?" for sign in text)


class _Open:
    """The site and its log, read only; closed at the end."""

    def __init__(self, args: argparse.Namespace) -> None:
        from collector.access.audit import AuditLog
        from collector.clock import SystemClock
        from collector.data_folder import data_folder
        from collector.history.opening import open_store
        from config.load import load_site

        self._site = load_site(args.site).site
        self._store = open_store(
            data_folder(args.data, self._site, make=False), self._site, clock=SystemClock(), read_only=True
        )
        self._log = AuditLog(self._store.state)

    def __enter__(self) -> tuple[Site, AuditLog]:
        return self._site, self._log

    def __exit__(self, *_: object) -> None:
        self._store.close()
