"""The command line of the demo plant."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from config.errors import TallywireError
from deploy.plant.control import catalogue
from deploy.plant.history import read_begin, write_history
from deploy.plant.live import LiveOptions, run
from deploy.plant.past import PLAN_FILE, make_past, plan_past, write_plan
from deploy.plant.site import POTASH
from deploy.plant.terminal import DAY_S, fresh

SEED = 7
LONGEST_D = 730


def main(arguments: Sequence[str] | None = None) -> int:
    """Parse, run, return the exit code; what goes wrong leaves as one message and code 2."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    try:
        if given[:1] == ["history"]:
            return _history(given[1:])
        if given[:1] == ["past"]:
            return _past(given[1:])
        if given[:1] == ["faults"]:
            sys.stdout.write(json.dumps(catalogue(POTASH)) + "\n")
            return 0
        return _live(given)
    except TallywireError as error:
        sys.stderr.write(f"plant: {error}\n")
        return 2


def _live(given: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(
        prog="python -P -m deploy.plant", description="The invented potash terminal on real sockets."
    )
    parser.add_argument("--site-out", type=Path, required=True, metavar="FILE", help="where to write the site file")
    parser.add_argument("--control-port", type=int, default=0, metavar="PORT", help="port of the switchboard (0: any free one)")
    parser.add_argument("--parent-pid", type=int, metavar="PID", help="process to end with")
    parser.add_argument("--seed", type=int, default=SEED, help="seed of the noise and of the feed")
    parser.add_argument("--begin", type=Path, metavar="FILE", help="go on behind a written history (its begin.json)")
    args = parser.parse_args(given)
    now = int(time.time())
    begin = fresh(now) if args.begin is None else read_begin(args.begin, now)
    args.site_out.parent.mkdir(parents=True, exist_ok=True)
    return run(LiveOptions(args.site_out.resolve(), args.control_port, args.parent_pid, args.seed), begin)


def _history(given: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -P -m deploy.plant history", description="Healthy history as Parquet files.")
    parser.add_argument("--hours", type=float, default=48.0)
    parser.add_argument("--until", default="now", metavar="TIME", help="ISO 8601 with zone, or `now`")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR")
    parser.add_argument("--seed", type=int, default=SEED)
    args = parser.parse_args(given)
    if not 0.0 < args.hours <= 24.0 * 366.0:
        raise TallywireError(f"{args.hours:g} hours of history cannot be written", where="--hours", fix="0 to 8784")
    files = write_history(args.out, args.hours, _until(args.until), args.seed)
    sys.stdout.write(json.dumps({"files": [str(path) for path in files]}) + "\n")
    return 0


def _past(given: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(
        prog="python -P -m deploy.plant past", description="Whole days before a history, newest first, file by file."
    )
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder with the plan")
    parser.add_argument("--plan", type=int, metavar="DAYS", help="only write the plan: this many days before --until")
    parser.add_argument("--until", default="now", metavar="TIME", help="a UTC midnight: ISO 8601 with zone")
    parser.add_argument("--seed", type=int, default=SEED)
    args = parser.parse_args(given)
    if args.plan is None:
        return make_past(args.out)
    until = _until(args.until)
    if until % DAY_S or not 0 < args.plan <= LONGEST_D:
        raise TallywireError("a past is whole UTC days", where="--plan", fix=f"1 to {LONGEST_D} days before a UTC midnight")
    write_plan(args.out / PLAN_FILE, plan_past(until, args.plan, args.seed))
    sys.stdout.write(json.dumps({"plan": str(args.out / PLAN_FILE)}) + "\n")
    return 0


def _until(text: str) -> int:
    if text == "now":
        return int(time.time())
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise TallywireError(f"{text!r} is no time with a zone", where="--until", fix="write 2027-01-15T08:00:00Z, or now")
    return int(moment.timestamp())
