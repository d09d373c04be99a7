"""Loop-days of honest plants: how often a fault is told where there is none, with the exact upper bound of its rate.

    .venv/bin/python -P tests/bench/honest_days.py [--days 2000] [--draws 50] [--book days.jsonl] [--jobs 2]

The days are spread evenly over drawn sites and nuisances: day i is nuisance i mod 15 on site (i + i // 150) mod 50, so that 750
days hold every pair once; then the seeds and the calendar move on. With `--book` each finished day is appended to a file of JSON
lines and is not run again: a long run may be interrupted. Days that other code ran are counted, and told apart.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import os
import sys
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices: threads only wait for each other
sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from tests.bench.diagnosis import print_quiet
from tests.faults.draws import draw
from tests.faults.nuisances import DAY_S, NUISANCES, Quiet, run_nuisance

ROOT = Path(__file__).parent.parent.parent


@dataclass(frozen=True, slots=True)
class Day:
    """One loop-day: a nuisance on a drawn site; `round` moves seeds and calendar on."""

    name: str
    draw: int
    round: int


def days(count: int, draws: int) -> Iterator[Day]:
    """The first so many loop-days, spread evenly over sites and nuisances."""
    names = tuple(NUISANCES)
    for index in range(count):
        shift = index // math.lcm(len(names), draws)
        yield Day(names[index % len(names)], (index + shift) % draws, index // (len(names) * draws))


def code() -> str:
    """A digest of the code that judges."""
    digest = hashlib.sha256()
    for path in sorted((ROOT / "checks").rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def booked(book: Path) -> dict[Day, dict[str, Any]]:
    """The days that a file of JSON lines holds; a line that was torn by an interruption is run again."""
    found: dict[Day, dict[str, Any]] = {}
    lines = book.read_text(encoding="utf-8").splitlines() if book.exists() else []
    for line in lines:
        try:
            entry = json.loads(line)
            found[Day(entry["name"], entry["draw"], entry["round"])] = entry
        except (ValueError, KeyError):
            print(f"{book}: a line cannot be read and its day is run again: {line[:60]!r}", file=sys.stderr)
    return found


def run_day(day: Day, seconds: int) -> dict[str, Any]:
    """One day, as plain values."""
    return run_nuisance(day.name, day.draw, day.round, seconds).plain() | {"round": day.round, "code": code()}


def _entries(missing: list[Day], seconds: int, jobs: int, until: str) -> Iterator[dict[str, Any]]:
    """The days as they end; no day is started after `until`."""
    queue = (day for day in missing if not until or time.strftime("%H:%M") < until)
    if jobs == 1:
        yield from (run_day(day, seconds) for day in queue)
        return
    with ProcessPoolExecutor(jobs) as pool:
        running = {pool.submit(run_day, day, seconds) for day in islice(queue, jobs)}
        while running:
            ended, running = wait(running, return_when=FIRST_COMPLETED)
            running |= {pool.submit(run_day, day, seconds) for day in islice(queue, len(ended))}
            yield from (job.result() for job in ended)


def main() -> None:
    """Run the days that are not booked yet, and print what was told."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--days", type=int, default=2000, help="loop-days in all")
    parser.add_argument("--draws", type=int, default=50, help="drawn sites")
    parser.add_argument("--hours", type=float, default=24.0, help="length of a day, to look at many sites quickly")
    parser.add_argument(
        "--book", default="", metavar="FILE", help="JSON lines of the days that are done; new ones are appended"
    )
    parser.add_argument("--until", default="", metavar="HH:MM", help="start no day after this local time")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    options = parser.parse_args()
    wanted = list(days(options.days, options.draws))
    book = Path(options.book) if options.book else None
    done = booked(book) if book else {}
    print("seeds: draw n is made by numpy's default_rng([20270, n]); its plant runs with seed 20270 + 1000 n + 7919 round")
    missing = [day for day in wanted if day not in done]
    seconds = round(options.hours * DAY_S / 24.0 / 600.0) * 600
    try:
        for entry in _entries(missing, seconds, options.jobs, options.until):
            done[Day(entry["name"], entry["draw"], entry["round"])] = entry
            if book:
                with book.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(entry) + "\n")
            told = "; ".join(entry["told"]) or "nothing told"
            print(f"{time.strftime('%H:%M:%S')} {entry['name']} on draw {entry['draw']}: {told}", file=sys.stderr, flush=True)
    except KeyboardInterrupt:
        print("interrupted; what is booked is kept", file=sys.stderr)
    report([done[day] for day in wanted if day in done], len(wanted))


def report(entries: list[dict[str, Any]], wanted: int) -> None:
    """What was told, by nuisance; the sites; and the bound."""
    names = Quiet.__dataclass_fields__
    quiet = [Quiet(**{name: value for name, value in entry.items() if name in names}) for entry in entries]
    print_quiet(quiet)
    for number in sorted({item.draw for item in quiet if item.told}):
        print("  ", draw(number).words)
    doubts = Counter(" ".join(words.split()[:2]) for item in quiet for words in item.doubts)
    print(
        f"doubts (not counted): {sum(doubts.values())}"
        + "".join(f"\n    {count} x {words}" for words, count in doubts.most_common())
    )
    worked = sum(item.worked_s for item in quiet)
    print(
        f"{len(quiet)} of {wanted} days, {len({item.draw for item in quiet})} sites; {worked / max(len(quiet), 1):.1f} s of wall clock a day in the engine"
    )
    for digest, count in Counter(entry["code"] for entry in entries).items():
        print(f"    code {digest}{' (as it is now)' if digest == code() else ''}: {count} days")


if __name__ == "__main__":
    main()
