"""The child that makes loop-days ready and judges them: an order a line on stdin, an answer a line on stdout, both JSON.

It reads the history beside the service and never writes to it; it ends with its stdin, so with the service.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

from collector.cli import exits
from collector.clock import SystemClock
from collector.history.archive import Sealed
from collector.history.layout import day_of
from collector.history.sqlite import open_store
from collector.past.judging import judge_day, plain
from collector.past.preparing import LaidDay, prepare_day
from config.errors import TallywireError
from config.load import load_site
from config.model import Site

NICE = 5
"""Behind the service where both want the processor."""


def main() -> int:
    """Work until stdin ends; the exit code."""
    parser = argparse.ArgumentParser(prog="python -P -m collector.past.worker")
    parser.add_argument("--site", type=Path, required=True)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--staging", type=Path, required=True)
    args = parser.parse_args()
    os.nice(NICE)
    try:
        site = load_site(args.site).site
        for line in sys.stdin:
            sys.stdout.write(json.dumps(answer(json.loads(line), site, args.data, args.staging)) + "\n")
            sys.stdout.flush()
    except BrokenPipeError:
        return exits.INTERRUPTED  # the service is gone
    except TallywireError as error:
        sys.stderr.write(f"laying the past: {error}\n")
        return exits.BAD_INPUT
    return exits.NO_FINDING


def answer(order: dict[str, Any], site: Site, data: Path, staging: Path) -> dict[str, Any]:
    """Do one order: `lay` a recorded file, or `judge` a stored loop-day."""
    loop, day = order["loop"], int(order["day"])
    clock = SystemClock()
    if order["do"] == "lay":
        kept = site.history.minute
        minutes = kept is None or day >= day_of(clock.now() - kept)
        return laid_plain(prepare_day(site, Path(order["file"]), loop, day, staging, minutes=minutes))
    store = open_store(data, site, clock=clock, read_only=True)
    try:
        return plain(judge_day(store, site, loop, day))
    finally:
        store.close()


def laid_plain(laid: LaidDay) -> dict[str, Any]:
    """As values for JSON."""
    return {**asdict(laid), "samples": str(laid.samples), "rollups": str(laid.rollups)}


def laid_from(raw: dict[str, Any]) -> LaidDay:
    """From what `laid_plain` gave."""
    return LaidDay(
        loop=raw["loop"], day=raw["day"], samples=Path(raw["samples"]), rollups=Path(raw["rollups"]),
        sealed=Sealed(**raw["sealed"]),
    )  # fmt: skip


if __name__ == "__main__":
    raise SystemExit(main())
