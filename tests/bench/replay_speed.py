"""What a replay of sealed days costs beside a bare scan of the same columns, and beside a script that goes row by row.

    .venv/bin/python -P tests/bench/replay_speed.py [--days 30] [--loop TB-07] [--rounds 5] [--fault upper-range@plc]

Days of the invented terminal are sealed as the archive seals them. Then, taking turns: a bare scan by pyarrow, file by file, and the
replay through blocks, every check and the diagnosis, by the work function that the command uses; each in a process of its own, so
that the peak of its memory is known. The median of the rounds counts, scaled to a loop-year. At the end two workers against one
over two loops, taking turns too, and one day through a pandas script of a dozen lines. Ratios are what counts, for machines differ.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices: threads only wait for each other
sys.path.insert(0, str(Path(__file__).parent.parent.parent))

import pandas as pd
import pyarrow.parquet as pq

from checks.samples import join
from collector.history import archive
from collector.history.layout import day_name
from collector.replay.executor import executor
from collector.replay.loop_run import LoopDone
from collector.replay.places import archive_in
from collector.replay.work import Task, work
from tests.acceptance.simulated import Order, samples_of
from tests.checks.runs_of_terminal import terminal

SEED, DAY_S, YEAR_DAYS = 5, 86_400, 365.0
BEGIN = 1_800_000_000 // DAY_S * DAY_S
SECOND = "TB-08"
"""The loop beside the first where two workers share the work."""
MB = 1024.0


@dataclass(frozen=True, slots=True)
class Spent:
    """Processor and wall seconds of a piece of work, and the peak of resident memory [MB] of its process and before it."""

    processor_s: float
    wall_s: float
    peak_mb: float
    before_mb: float
    said: str = ""


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / MB


def _timed(what: Callable[[], str]) -> Spent:
    before, processor, wall = _peak_mb(), time.process_time(), time.perf_counter()
    said = what()
    return Spent(time.process_time() - processor, time.perf_counter() - wall, _peak_mb(), before, said)


def _first_day(folder: str, loop: str) -> None:
    """Read one day that does not count: what a library sets up at its first use belongs to no day."""
    pq.read_table(str(archive.days_of(Path(folder), loop)[0]), use_threads=False)


def scan(folder: str, loop: str) -> Spent:
    """Read every column of every day and let go of it."""

    def all_days() -> str:
        rows = 0
        for path in archive.days_of(Path(folder), loop):
            with pq.ParquetFile(str(path)) as file:
                rows += file.read(use_threads=False).num_rows
        return f"{rows:,} rows"

    _first_day(folder, loop)
    return _timed(all_days)


def replay(folder: str, loop: str) -> Spent:
    """Replay every day, as the command does."""
    task = task_of(folder, loop)
    _first_day(folder, loop)
    return _timed(lambda: _words(work(task)))


def task_of(folder: str, loop: str) -> Task:
    """The work of one loop."""
    site = terminal()
    return Task(site=site, loop=loop, source=archive_in(Path(folder), site))


def _words(done: LoopDone) -> str:
    told = ", ".join(f"{item.finding.link.value} {item.finding.cause}" for item in done.told)
    return f"{done.rows:,} rows; found: {told or 'nothing'}"


def by_rows(folder: str, loop: str) -> Spent:
    """One day through pandas row by row: the current that the flow demands, its deviation, both totals, a limit."""

    def one_day() -> str:
        frame = pd.read_parquet(str(archive.days_of(Path(folder), loop)[0]))
        scale = terminal().loops[loop].gauge.range
        gauge = plc = 0.0
        beyond = 0
        for _, row in frame.iterrows():
            demanded = 4.0 + 16.0 * (row["v:flow"] - scale.low) / (scale.high - scale.low)
            if abs(row["v:loop_current"] - demanded) > 0.08:
                beyond += 1
            gauge += row["v:flow"] / 3600.0
            plc += row["v:plc_flow"] / 3600.0
        return f"{gauge:.1f} t and {plc:.1f} t, {beyond} seconds beyond 0.08 mA"

    return _timed(one_day)


def seal(folder: Path, loop: str, days: int, fault: str) -> float:
    """Seal so many days of a loop; returns the megabytes that they take."""
    size = 0
    orders = (Order(days * DAY_S // 2 + 1800, fault),) if fault else ()
    pieces = []
    for piece in samples_of(loop, BEGIN, days * DAY_S, SEED, orders):
        pieces.append(piece)
        if (int(piece.time_s[-1]) + 1) % DAY_S == 0:
            day = join(pieces)
            path = folder / loop / f"{day_name(int(day.time_s[0]) // DAY_S)}.parquet"
            archive.write(path, day)
            size += path.stat().st_size
            pieces = []
    return size / 1e6


def alone(what: Callable[[str, str], Spent], folder: str, loop: str) -> Spent:
    """Do it in a process of its own."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(what, folder, loop).result()


def shared(folder: str, loops: tuple[str, ...], workers: int) -> float:
    """Wall seconds in which so many workers replay these loops, begun and warm before."""
    with executor(workers) as pool:
        list(pool.map(_warm, range(workers)))
        began = time.perf_counter()
        list(pool.map(work, [task_of(folder, loop) for loop in loops]))
        return time.perf_counter() - began


def _warm(number: int) -> int:
    terminal()
    time.sleep(0.5)  # long enough that every worker gets one
    return number


def _report(folder: str, loop: str, days: int, rounds: int) -> None:
    spent: dict[str, list[Spent]] = {"scan": [], "replay": []}
    for number in range(rounds):
        spent["scan"].append(alone(scan, folder, loop))
        spent["replay"].append(alone(replay, folder, loop))
        ratio = spent["replay"][-1].processor_s / spent["scan"][-1].processor_s
        print(f"round {number + 1}: replay/scan {ratio:.1f}x of processor time", flush=True)
    print(f"{'':8}{'s a loop-day':>14}{'min a loop-year':>17}{'wall s a day':>14}{'peak MB':>9}{'of that before':>16}")
    for way, each in spent.items():
        processor = median(item.processor_s for item in each) / days
        wall = median(item.wall_s for item in each) / days
        peak, before = max(item.peak_mb for item in each), max(item.before_mb for item in each)
        print(f"{way:8}{processor:14.3f}{processor * YEAR_DAYS / 60.0:17.1f}{wall:14.3f}{peak:9.0f}{before:16.0f}")
    ratios = [after.processor_s / before.processor_s for before, after in zip(spent["scan"], spent["replay"], strict=True)]
    print(f"replay/scan: median {median(ratios):.1f}x, {min(ratios):.1f} to {max(ratios):.1f}x; {spent['replay'][0].said}")
    naive = alone(by_rows, folder, loop)
    a_day = median(item.processor_s for item in spent["replay"]) / days
    print(
        f"row by row in pandas, a dozen lines: {naive.processor_s:.1f} s a day, {naive.processor_s / a_day:.1f}x the replay ({naive.said})"
    )


def main() -> None:
    """Seal, measure, print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=30, help="days that are sealed and replayed")
    parser.add_argument("--loop", default="TB-07")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--fault", default="", help="a fault of the invented plant that comes in the middle and stands")
    parser.add_argument("--no-workers", action="store_true", help="leave out two workers against one")
    options = parser.parse_args()
    print(f"{options.loop}, {options.days} days at 1 s, seed {SEED}, fault: {options.fault or 'none'}; {options.rounds} rounds")
    with TemporaryDirectory() as folder:
        size = seal(Path(folder), options.loop, options.days, options.fault)
        print(f"sealed: {size / options.days:.2f} MB a day", flush=True)
        _report(folder, options.loop, options.days, options.rounds)
        if not options.no_workers:
            seal(Path(folder), SECOND, options.days, options.fault)
            walls = [
                tuple(shared(folder, (options.loop, SECOND), workers) for workers in (1, 2)) for _ in range(options.rounds)
            ]
            gains = [one / two for one, two in walls]
            one, two = (median(each) for each in zip(*walls, strict=True))
            print(
                f"two loops: one worker {one:.1f} s, two workers {two:.1f} s, median {median(gains):.2f}x as fast, "
                f"{min(gains):.2f} to {max(gains):.2f}x"
            )


if __name__ == "__main__":
    main()
