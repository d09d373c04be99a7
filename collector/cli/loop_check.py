"""`tallywire loop-check`: a guided check of the loop at several points, as found and as left, into a numbered record."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from collector.cli.days import loop_of
from config.errors import StoreError, TallywireError

if TYPE_CHECKING:
    from collector.commissioning.check_run import CheckRun
    from collector.records.loop_check import LoopCheck
    from config.load import LoadedSite

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "loop-check",
        help="check a loop point by point, as found and as left, into a record",
        description="Guides through the points of a loop check. The current comes from your calibrator or from the gauge's output test; "
        "Tallywire only reads: it waits until every station stands still, captures both ends, and says error, hysteresis, non-linearity "
        "and repeatability. What was captured is kept after every point, and a check that was stopped goes on.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--loop", required=True, metavar="LOOP", help="the loop")
    parser.add_argument("--by", default="", metavar="NAME", help="who checks")
    parser.add_argument(
        "--method",
        choices=("calibrator", "test-mode", "simulated-flow"),
        default="calibrator",
        help="where the current comes from",
    )
    parser.add_argument(
        "--points", default="0,25,50,75,100", metavar="LIST", help="points in %% of span, going up (default: 0,25,50,75,100)"
    )
    parser.add_argument(
        "--walks", type=int, default=1, metavar="N", help="walks up and down; 3 tell the repeatability (default: 1)"
    )
    parser.add_argument(
        "--uncertainty", type=float, default=0.01, metavar="MA", help="of the calibrator, mA, k = 2 (default: 0.01)"
    )
    parser.add_argument("--anew", action="store_true", help="begin anew where a check was stopped")
    parser.add_argument("--data", type=Path, metavar="DIR", help="data folder of the service")
    parser.add_argument("--html", type=Path, metavar="OUT", help="also write the record as HTML")
    parser.add_argument("--pdf", type=Path, metavar="OUT", help="also write the record as PDF (needs the extra `pdf`)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Guide, record; 1 where the chain as it was left differs, 130 where it was stopped."""
    import asyncio

    from collector.commissioning.check_run import resume
    from collector.commissioning.walking import StoppedError
    from collector.data_folder import data_folder
    from config.cautions import caution_text
    from config.load import load_site

    loaded = load_site(args.site)
    site = loaded.site
    loop_of(args.loop, site.loops)
    path = data_folder(args.data, site) / f"loop-check-{args.loop}.json"
    kept = None if args.anew else resume(path)
    check = kept or _begin(args, loaded)
    sys.stdout.write(caution_text(80) + "\n\n")
    sys.stdout.write(_opening(check, kept is not None))
    sys.stdout.flush()
    try:
        asyncio.run(_walk(check, loaded, path))
    except (StoppedError, KeyboardInterrupt):
        sys.stdout.write(f"\nStopped; {len(check.points)} points of {check.stage.value} are kept. The same command goes on.\n")
        return exits.INTERRUPTED
    from collector.clock import SystemClock

    content = check.record(site, loaded.sha256, SystemClock().now())
    _record(args, loaded, content)
    path.unlink(missing_ok=True)
    return exits.NO_FINDING if content.verdict.value == "ok" else exits.FINDINGS


def _begin(args: argparse.Namespace, loaded: LoadedSite) -> CheckRun:
    from collector.clock import SystemClock
    from collector.commissioning.check_run import Method, begin

    try:
        points = [float(part) for part in args.points.split(",")]
    except ValueError:
        raise TallywireError(f"{args.points!r} are no points", where="--points", fix="such as 0,25,50,75,100") from None
    if not 1 <= args.walks <= 10:
        raise TallywireError("the walks are not from 1 to 10", where="--walks", fix="such as 3")
    if not args.by.strip():
        raise TallywireError("nobody is named who checks", where="--by", fix="--by 'your name'; it stands in the record")
    return begin(
        loaded.site.loops[args.loop], args.loop, Method(args.method), by=args.by.strip(), now=SystemClock().now(), percents=points,
        cycles=args.walks, calibrator_u=args.uncertainty,
    )  # fmt: skip


def _opening(check: CheckRun, goes_on: bool) -> str:
    from collector.replay.text import wrapped

    stations = " -> ".join(station.name for station in check.stations)
    told = [
        f"Loop check of {check.loop}, {check.method.value}, by {check.by}: {stations}.",
        "It goes on where it was stopped." if goes_on else f"{len(check.targets)} points up and down.",
        "Put the loop into maintenance and tell the operator first: what the controller sees is not the belt.",
    ]
    return "\n".join(line for sentence in told for line in wrapped(sentence)) + "\n"


async def _walk(check: CheckRun, loaded: LoadedSite, path: Path) -> None:
    from collector.clock import SystemClock
    from collector.commissioning.readers import OwnReader, ServiceReader, service_runs
    from collector.commissioning.walking import Terminal, walk

    clock, site = SystemClock(), loaded.site
    reader = ServiceReader(site, check.loop) if service_runs(site) else OwnReader(site, check.loop, clock)
    try:
        await walk(check, reader, clock, Terminal(), path)
    finally:
        await reader.close()


def _record(args: argparse.Namespace, loaded: LoadedSite, content: LoopCheck) -> None:
    """Number the record: in the history here, or through the service that holds it; then write it to print."""
    from collector.clock import SystemClock
    from collector.commissioning.recording import through_service
    from collector.data_folder import data_folder
    from collector.history.opening import open_store
    from collector.records.book import RecordBook
    from collector.records.paper import pdf
    from collector.records.render import html
    from collector.records.scheduled import write_whole

    try:
        store = open_store(data_folder(args.data, loaded.site), loaded.site, clock=SystemClock())
    except StoreError:
        record = through_service(loaded.site, content)
    else:
        try:
            record = RecordBook(store.state).add(content)
        finally:
            store.close()
    sys.stdout.write(f"\nRecord {record.number}: the chain as left {content.verdict.words}.\nSHA-256 {record.sha256}\n")
    for out, form in ((args.html, "html"), (args.pdf, "pdf")):
        if out is not None:
            try:
                write_whole(out, pdf(record) if form == "pdf" else html(record).encode())
            except OSError as error:
                raise TallywireError(
                    f"the file cannot be written ({error.strerror})", where=str(out), fix="name another"
                ) from error
