"""`tallywire records`: list, show, print and verify the numbered records of a site; it only reads."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import chains, exits
from config.errors import TallywireError

if TYPE_CHECKING:
    from collector.records.book import Line, Record, RecordBook
    from config.model import Site

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]

WIDTH = 80


def add(subparsers: Subparsers) -> None:
    """Add the group and its commands."""
    parser = subparsers.add_parser(
        "records", help="numbered records: list, show, print, verify", description="Numbered records of a site; it only reads."
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    listed = commands.add_parser("list", help="list them, newest first", description="List the records, newest first.")
    _common(listed)
    listed.add_argument("--loop", default="", metavar="LOOP", help="of this loop only")
    listed.add_argument("--kind", default="", metavar="KIND", help='of this kind only, such as "chain report"')
    listed.add_argument("--from", dest="begin", metavar="DAY", help="about a time from this local day on")
    listed.add_argument("--to", dest="end", metavar="DAY", help="about a time before this local day")
    listed.set_defaults(run=run_list)
    show = commands.add_parser(
        "show",
        help="show one, or write it to print",
        description="Show a record, or write it as PDF or HTML to print and sign.",
    )
    _common(show)
    show.add_argument("number", type=int, metavar="N", help="number of the record")
    show.add_argument("--pdf", type=Path, metavar="OUT", help="write it as PDF (needs the extra `pdf`)")
    show.add_argument("--html", type=Path, metavar="OUT", help="write it as one HTML file that needs no other")
    show.set_defaults(run=run_show)
    verify = commands.add_parser(
        "verify", help="whether the chain of records is unbroken", description="Walk the chain of hashes; 1 where it is broken."
    )
    _common(verify)
    verify.add_argument("--printed", metavar="N=HASH", help="compare with number and hash (or its first signs) on a paper")
    verify.set_defaults(run=run_verify)


def _common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--data", type=Path, metavar="DIR", help="data folder of the service")


def run_list(args: argparse.Namespace) -> int:
    """Print one line a record."""
    from zoneinfo import ZoneInfo

    from collector.cli.days import day_of
    from collector.local_days import midnight

    with _Open(args) as (site, book):
        zone = ZoneInfo(site.time_zone)
        if args.loop and args.loop not in site.loops:
            raise TallywireError(f"this site has no loop {args.loop!r}", where="--loop", fix=f"one of {', '.join(site.loops)}")
        begin = None if args.begin is None else midnight(day_of(args.begin, "--from"), zone)
        end = None if args.end is None else midnight(day_of(args.end, "--to"), zone)
        lines = book.lines(loop=args.loop, kind=args.kind, begin=begin, end=end)
        sys.stdout.write("\n".join(_table(lines, site.time_zone)) + "\n")
    return exits.NO_FINDING


def run_show(args: argparse.Namespace) -> int:
    """Print what a record is, or write it."""
    from collector.records.paper import pdf
    from collector.records.render import html
    from collector.records.scheduled import write_whole

    with _Open(args) as (_, book):
        record = book.find(args.number) if 1 <= args.number < 2**62 else None
    if record is None:
        raise TallywireError(f"there is no record {args.number}", where="N", fix="see `tallywire records list`")
    for path, form in ((args.html, "html"), (args.pdf, "pdf")):
        if path is None:
            continue
        content = pdf(record) if form == "pdf" else html(record).encode()
        try:
            write_whole(path, content)
        except OSError as error:
            raise TallywireError(
                f"the file cannot be written ({error.strerror})", where=str(path), fix="name another"
            ) from error
    if args.html is None and args.pdf is None:
        sys.stdout.write("\n".join(_shown(record)) + "\n")
    return exits.NO_FINDING


def run_verify(args: argparse.Namespace) -> int:
    """Walk the chain; 1 where it breaks."""
    printed = chains.printed(args.printed)
    with _Open(args) as (_, book):
        found = book.verify(printed=printed)
    if found.broken is not None:
        return chains.tell_break("record", "Records", found.broken.number, found.broken.reason)
    if found.newest is None:
        sys.stdout.write("There is no record.\n")
        return exits.NOTHING_EVALUATED
    sys.stdout.write(
        f"Unbroken: {found.count} records, the newest is {found.newest.number} with the hash\n{found.newest.sha256}\n"
    )
    if printed is not None:
        sys.stdout.write(f"Record {printed[0]} has the hash on the paper.\n")
    return exits.NO_FINDING


class _Open:
    """The site and its book, read only; closed at the end."""

    def __init__(self, args: argparse.Namespace) -> None:
        from collector.clock import SystemClock
        from collector.data_folder import data_folder
        from collector.history.opening import open_store
        from collector.records.book import RecordBook
        from config.load import load_site

        self._site = load_site(args.site).site
        self._store = open_store(
            data_folder(args.data, self._site, make=False), self._site, clock=SystemClock(), read_only=True
        )
        self._book = RecordBook(self._store.state)

    def __enter__(self) -> tuple[Site, RecordBook]:
        return self._site, self._book

    def __exit__(self, *_: object) -> None:
        self._store.close()


def _table(lines: list[Line], zone: str) -> list[str]:
    from collector.records.content import local

    if not lines:
        return ["There is no record that fits."]
    out = [f"{'no.':>6}  {'kind':<14}{'loops':<14}{'period':<18}{'made':<18}hash"]
    for line in lines:
        loops = ", ".join(line.loops)
        made = "not dated" if line.made is None else local(line.made, zone)[:16]
        cut = loops if len(loops) <= 13 else f"{loops[:10]}..."
        out.append(f"{line.number:>6}  {line.kind:<14.14}{cut:<14}{line.period:<18.17}{made:<18}{line.sha256[:6]}")
    return out


def _shown(record: Record) -> list[str]:
    """What it is, its hashes, and how to see the rest."""
    from collector.records.content import field_of, local
    from collector.replay.text import wrapped

    raw = record.raw
    zone, made, period = field_of(raw, "time_zone", "UTC"), raw.get("made"), raw.get("period")
    rows = [("record", f"{record.number}, {record.kind}"), ("loops", ", ".join(raw.get("loops", [])))]
    if isinstance(period, dict):
        begin, end = (local(period[edge], zone) for edge in ("begin", "end"))
        rows.append((str(period["kind"]), f"{period['name']}, from {begin} to {end}"))
    if isinstance(made, int | float):
        rows.append(("made", f"{local(made, zone)}, asked for by {field_of(raw, 'by', 'not stated')}"))
    if "verdict" in raw:
        from checks.result import Verdict

        rows.append(("verdict", Verdict(raw["verdict"]).words))
    rows += [
        ("finding", f"{item['link']}: {item['title']} ({item['cause']}), since {local(item['begin'], zone)}")
        for item in raw.get("findings", [])[:10]
    ]
    rows += [("figure", f"{item['name']}: {item['old']} -> {item['new']} {item['unit']}") for item in raw.get("figures", [])]
    rows += [("content", record.content_sha256), ("before", record.before), ("hash", record.sha256)]
    out = []
    for name, text in rows:
        out += wrapped(text, first=f"{name[:11]:<12}", rest=" " * 12)
    return [
        *out,
        *wrapped(f"The whole record: --html OUT or --pdf OUT, or /records/{record.number} on the page of the service."),
    ]
