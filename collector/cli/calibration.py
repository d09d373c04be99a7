"""`tallywire calibration`: a new factor from runs with a known mass, from the stored flow; nothing is changed."""

from __future__ import annotations

import argparse
import sys
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
    parser.add_argument("--uncertainty", default="0.1", metavar="PERCENT", help="of the reference scale, k = 2 (default: 0.1)")
    parser.add_argument(
        "--whole",
        action="store_true",
        help="the reference weighed whole lots, first to last: leading edge and tailings are counted (default: left out)",
    )
    parser.add_argument("--window", metavar="'FROM, TO'", help="with one run: the steady part as you see it on the trend")
    parser.add_argument("--tare", default="300", metavar="S", help="how long the last tare counted (default: 300)")
    parser.add_argument("--since", metavar="TIME", help="also say what the tonnes since then would have been")
    parser.add_argument("--data", type=Path, metavar="DIR", help="data folder of the service")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the calibration."""
    from collector.clock import SystemClock
    from collector.commissioning.calibrating import calibrate, text
    from collector.commissioning.calibration_asked import percent_of, tare_of, time_of
    from collector.data_folder import data_folder
    from collector.history.opening import open_store
    from config.load import load_site

    site = load_site(args.site).site
    loop_of(args.loop, site.loops)
    percent, tare_s = percent_of(args.uncertainty, "--uncertainty"), tare_of(args.tare, "--tare")
    zone = ZoneInfo(site.time_zone)
    if args.window is not None and len(args.runs) != 1:
        raise TallywireError("a window is for one run", where="--window", fix="evaluate that run alone")
    known = [_run(text_, zone, args) for text_ in args.runs]
    since = None if args.since is None else time_of(args.since, zone, "--since")
    store = open_store(data_folder(args.data, site, make=False), site, clock=SystemClock(), read_only=True)
    try:
        found = calibrate(site, args.loop, store, known, scale_u=percent / 100.0, tare_s=tare_s, since=since)
    finally:
        store.close()
    sys.stdout.write(text(found, site.time_zone))
    return exits.FINDINGS if found.differs else exits.NO_FINDING


def _run(text: str, zone: ZoneInfo, args: argparse.Namespace) -> Known:
    from collector.commissioning.calibration_asked import run_of

    parts = [part.strip() for part in text.split(",")]
    if len(parts) != 3:
        raise TallywireError(f"{text!r} is no run", where="--run", fix="'2027-03-01 06:10, 2027-03-01 07:15, 251.3 t'")
    window = None
    if args.window is not None:
        first, _, last = args.window.partition(",")
        window = first.strip(), last.strip()
    return run_of(parts[0], parts[1], parts[2], zone, where="--run", window=window, whole=args.whole)
