"""`tallywire calibration`: a new factor from runs with a known mass, from the stored flow; nothing is changed."""

from __future__ import annotations

import argparse
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from collector.cli import exits
from collector.cli.days import loop_of
from config.errors import TallywireError

if TYPE_CHECKING:
    from collector.commissioning.calibrating import Known

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "calibration",
        help="a new factor from runs with a known mass",
        description="From the stored flow: the steady part of each run, reference over gauge tonnes, the new factor with its uncertainty, "
        "what tonnes of the past would have been, and the lines for the ledger. It only reads; you enter the factor in the gauge.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--loop", required=True, metavar="LOOP", help="the loop")
    parser.add_argument(
        "--run", dest="runs", action="append", required=True, metavar="'FROM, TO, MASS'",
        help="a run, local times and mass: '2027-03-01 06:10, 2027-03-01 07:15, 251.3 t'; once for each run",
    )  # fmt: skip
    parser.add_argument(
        "--uncertainty", type=float, default=0.1, metavar="PERCENT", help="of the reference scale, k = 2 (default: 0.1)"
    )
    parser.add_argument("--steady", action="store_true", help="the masses are those of the steady parts alone, without edges")
    parser.add_argument("--window", metavar="'FROM, TO'", help="with one run: the steady part as you see it on the trend")
    parser.add_argument("--tare", type=float, default=300.0, metavar="S", help="how long the last tare counted (default: 300)")
    parser.add_argument("--since", metavar="TIME", help="also say what the tonnes since then would have been")
    parser.add_argument("--data", type=Path, metavar="DIR", help="data folder of the service")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the calibration."""
    from collector.clock import SystemClock
    from collector.commissioning.calibrating import calibrate, text
    from collector.history.sqlite import open_store
    from collector.service.run import data_folder
    from config.load import load_site

    site = load_site(args.site).site
    loop_of(args.loop, site.loops)
    if not 0.0 <= args.uncertainty <= 10.0 or not args.tare > 0.0:
        raise TallywireError(
            "the uncertainty is 0 to 10 %, the tare longer than 0 s", where="--uncertainty, --tare", fix="such as 0.1 and 300"
        )
    zone = ZoneInfo(site.time_zone)
    if args.window is not None and len(args.runs) != 1:
        raise TallywireError("a window is for one run", where="--window", fix="evaluate that run alone")
    known = [_run(text_, zone, args) for text_ in args.runs]
    since = None if args.since is None else _time(args.since, zone, "--since")
    store = open_store(data_folder(args.data, site), site, clock=SystemClock(), read_only=True)
    try:
        found = calibrate(site, args.loop, store, known, scale_u=args.uncertainty / 100.0, tare_s=args.tare, since=since)
    finally:
        store.close()
    sys.stdout.write(text(found, site.time_zone))
    return exits.FINDINGS if abs(found.found.ratio - 1.0) > found.found.ratio_u else exits.NO_FINDING


def _run(text: str, zone: ZoneInfo, args: argparse.Namespace) -> Known:
    from collector.commissioning.calibrating import Known
    from config.units import parse_quantity

    parts = [part.strip() for part in text.split(",")]
    if len(parts) != 3:
        raise TallywireError(f"{text!r} is no run", where="--run", fix="'2027-03-01 06:10, 2027-03-01 07:15, 251.3 t'")
    begin, end = _time(parts[0], zone, "--run"), _time(parts[1], zone, "--run")
    try:
        mass = parse_quantity(parts[2], "t")
    except ValueError as error:
        raise TallywireError(str(error), where="--run", fix="a mass such as 251.3 t") from error
    if not end > begin or end - begin > 86_400.0 or not mass > 0.0:
        raise TallywireError(
            f"{text!r} is no run", where="--run", fix="it ends after it begins, within a day, with a mass above zero"
        )
    window = None
    if args.window is not None:
        first, _, last = args.window.partition(",")
        window = _time(first.strip(), zone, "--window"), _time(last.strip(), zone, "--window")
        if not begin <= window[0] < window[1] <= end:
            raise TallywireError("the window does not lie in the run", where="--window", fix="move it inside")
    return Known(begin=begin, end=end, reference=mass, window=window, whole=not args.steady)


def _time(text: str, zone: ZoneInfo, where: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise TallywireError(
            f"{text!r} is no time", where=where, fix="write it as 2027-03-01 06:10, local time of the site"
        ) from None
    return (moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)).timestamp()
