"""What a history costs in both modes: appending fifty loops a second, reading a day back, a year's trend and a
comparison of many loops beside bare SQL.

    python -P tests/bench/store.py [--loops 50] [--seconds 300]

Prints shares and ratios. Processor time of PostgreSQL is that of its processes; the rest of the machine is left out.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import psutil
import sqlalchemy as sa

sys.path.insert(0, str(Path(__file__).parents[2]))

from checks.samples import Samples
from collector.clock import SystemClock
from collector.history import rollups, trend_rows
from collector.history.hour_rows import HOURS, By
from collector.history.opening import open_store
from collector.history.tiers import TieredStore
from collector.history.trend_rows import FIELDS as TREND_FIELDS
from config.model import FlowRange, Gauge, History, Loop, Plc, RecordedTag, Site
from tests.collector.history.recorded import MIDNIGHT
from tests.postgres import Server

ROLES = ("flow", "plc_flow", "count_rate", "speed", "loop_current", "ai_raw", "gauge_total", "plc_total", "detector_temperature",
         "drive_running", "drive_frequency", "empty_belt_rate", "nuclide_code", "gauge_clock")  # fmt: skip
VARIABLE = "TALLYWIRE_BENCH_DATABASE"
YEAR_H = 366 * 24
REPEATS = 7


def site_of(loops: int, history: History) -> Site:
    """Loops with fourteen tags each."""
    loop = Loop(
        gauge=Gauge(range=FlowRange(high=420)), plc=Plc(range=FlowRange(high=420)), tags={role: RecordedTag() for role in ROLES}
    )
    return Site(schema_=1, site="bench", loops={f"TB-{n:03}": loop for n in range(loops)}, history=history)


def second(site: Site, at: int, rng: np.random.Generator) -> list[Samples]:
    """One second of every loop."""
    quality = {role: np.zeros(1, np.uint8) for role in ROLES}
    return [
        Samples(
            loop=loop, time_s=np.array([at], np.int64), flags=np.zeros(1, np.uint8), quality=quality,
            values={role: rng.normal(200.0, 5.0, 1) for role in ROLES},
        )
        for loop in site.loops
    ]  # fmt: skip


def server_s(server: Server) -> float:
    """Processor time of a server's processes so far [s]; of those that ended, what their parent keeps."""
    pid = int((server.folder / "data" / "postmaster.pid").read_text().splitlines()[0])
    head = psutil.Process(pid)
    times = [head.cpu_times(), *(child.cpu_times() for child in head.children(recursive=True))]
    return sum(one.user + one.system for one in times) + times[0].children_user + times[0].children_system


def append(store: TieredStore, site: Site, seconds: int, server_time: Callable[[], float]) -> None:
    """Append second after second; shares of one core for one second of all loops each second."""
    rng = np.random.default_rng(1)
    batches = [second(site, MIDNIGHT + at, rng) for at in range(seconds)]
    store.append(batches[0])
    took: list[float] = []
    ours, theirs = time.process_time(), server_time()
    for batch in batches[1:]:
        began = time.perf_counter()
        store.append(batch)
        took.append(time.perf_counter() - began)
    ours, theirs = time.process_time() - ours, server_time() - theirs
    print(
        f"  append of {len(site.loops)} loops a second: {100 * ours / len(took):.2f} % of a core here,"
        f" {100 * theirs / len(took):.2f} % in the server; a commit takes {1e3 * statistics.median(took):.1f} ms"
        f" (95 %: {1e3 * sorted(took)[int(0.95 * len(took))]:.1f} ms)"
    )
    began = time.perf_counter()
    rows = sum(len(part) for part in store.scan(next(iter(site.loops)), MIDNIGHT, MIDNIGHT + 86_400))
    print(f"  reading one loop of them back: {1e6 * (time.perf_counter() - began) / rows:.0f} us a row")


def year(store: TieredStore, loop: str, state_time: Callable[[], float]) -> None:
    """A year's trend of one role by the hour beside bare SQL: the same numbers out of a plain table with a column each.

    What is timed is processor time of this process; that of a server is the same kind of SELECT for both and is told beside.
    """
    rng = np.random.default_rng(2)
    layout = {"roles": list(ROLES), "fields": dict.fromkeys(TREND_FIELDS, len(ROLES))}
    starts = MIDNIGHT + 3600 * np.arange(YEAR_H, dtype=np.int64)
    numbers = rng.normal(200.0, 5.0, (YEAR_H, len(TREND_FIELDS) * len(ROLES)))
    hours = rollups.Stored(layout, starts, numbers)
    plain = sa.Table(
        "bare_hours", sa.MetaData(),
        sa.Column("loop", sa.Text, primary_key=True), sa.Column("role", sa.Text, primary_key=True),
        sa.Column("start_s", sa.BigInteger, primary_key=True), *(sa.Column(name, sa.Float) for name in TREND_FIELDS),
        sqlite_with_rowid=False,
    )  # fmt: skip
    with store.state.transaction() as connection:
        trend_rows.add(connection, loop, hours)
        plain.create(connection)
        for role in ROLES:
            columns = [column.tolist() for name in TREND_FIELDS if (column := hours.role(name, role)) is not None]
            rows = zip(starts.tolist(), *columns, strict=True)
            names = ("start_s", *TREND_FIELDS)
            connection.execute(
                plain.insert(), [{"loop": loop, "role": role, **dict(zip(names, row, strict=True))} for row in rows]
            )
    begin, end = int(starts[0]), int(starts[-1]) + 3600
    wanted = (
        sa.select(plain.c.start_s, *(plain.c[name] for name in TREND_FIELDS))
        .where(plain.c.loop == loop, plain.c.role == "speed", plain.c.start_s >= begin, plain.c.start_s < end)
        .order_by(plain.c.start_s)
    )

    def bare() -> None:
        with store.state.transaction() as connection:
            connection.execute(wanted).all()

    def ours() -> None:
        store.trend(loop, "speed", begin, end)

    assert len(store.trend(loop, "speed", begin, end, YEAR_H).time_s) == YEAR_H
    spent: dict[str, list[float]] = {"bare": [], "ours": []}
    served: dict[str, list[float]] = {"bare": [], "ours": []}
    for _ in range(REPEATS):
        for name, work in (("bare", bare), ("ours", ours)):
            before, there = time.process_time(), state_time()
            work()
            spent[name].append(time.process_time() - before)
            served[name].append(state_time() - there)
    base, took = statistics.median(spent["bare"]), statistics.median(spent["ours"])
    print(
        f"  a year of one role by the hour, {YEAR_H} hours: its trend takes {took / base:.2f} times the bare SQL"
        f" ({1e3 * took:.1f} ms, bare {1e3 * base:.1f} ms; in the server {1e3 * sum(served['ours']) / REPEATS:.0f} ms and"
        f" {1e3 * sum(served['bare']) / REPEATS:.0f} ms a time)"
    )


def fleet(store: TieredStore, loops: int) -> None:
    """The worst fifty of many loops over a month, beside a bare sum over the same rows."""
    rng, month = np.random.default_rng(3), 30 * 24
    with store.state.transaction() as connection:
        for loop in range(loops):
            tonnes = rng.normal(300.0, 30.0, month)
            plc = tonnes * (1.0 + rng.normal(0.0, 0.01))
            rows = [
                {
                    "loop": f"TB-{loop:03}", "start_s": MIDNIGHT + 3600 * hour, "gauge_t": a, "plc_t": b, "own_t": a, "plc_own_t": b,
                    "measured_s": 3600.0, "plc_measured_s": 3600.0,
                }
                for hour, (a, b) in enumerate(zip(tonnes.tolist(), plc.tolist(), strict=True))
            ]  # fmt: skip
            connection.execute(HOURS.insert(), rows)
    end = MIDNIGHT + 3600 * month

    def bare() -> None:
        with store.state.transaction() as connection:
            wanted = sa.select(HOURS.c.loop, sa.func.sum(HOURS.c.gauge_t), sa.func.sum(HOURS.c.plc_t)).group_by(HOURS.c.loop)
            connection.execute(wanted.where(HOURS.c.start_s >= MIDNIGHT, HOURS.c.start_s < end)).all()

    base = _median(bare)
    took = _median(lambda: store.fleet(By.DIVERGENCE, MIDNIGHT, end, 50))
    print(
        f"  the worst 50 of {loops} loops over a month: {took / base:.1f} times two bare sums over the {loops * month} hours"
        f" ({1e3 * took:.0f} ms)"
    )


def _median(work: Callable[[], object]) -> float:
    took = []
    for _ in range(REPEATS):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return statistics.median(took)


def main() -> None:
    """Measure both modes."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--loops", type=int, default=50)
    parser.add_argument("--seconds", type=int, default=300)
    parser.add_argument("--fleet", type=int, default=500, help="loops that are compared")
    args = parser.parse_args()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    server = Server()
    try:
        os.environ[VARIABLE] = server.database()
        with tempfile.TemporaryDirectory() as made:
            folder = Path(made)
            for name, kept in (
                ("embedded", History()),
                ("shared", History(database_env=VARIABLE, archive=folder / "archive")),
            ):
                print(f"{name}:")
                site = site_of(args.loops, kept)
                store = open_store(folder / name, site, clock=SystemClock())
                append(store, site, args.seconds, lambda: server_s(server))
                year(store, next(iter(site.loops)), lambda: server_s(server))
                store.close()
                wide = open_store(folder / name, site_of(args.fleet, kept), clock=SystemClock())
                fleet(wide, args.fleet)
                wide.close()
    finally:
        server.close()


if __name__ == "__main__":
    main()
