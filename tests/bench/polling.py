"""What polling costs: processor time of a gauge-poll in the whole service beside the bare reads, and how many loops a core sustains.

    .venv/bin/python -P tests/bench/polling.py [--loops 500] [--warm 240] [--windows 5] [--seconds 60]
    .venv/bin/python -P tests/bench/polling.py --loops 100,250,500,750,1000,1500 --no-bare

A gauge-poll is one second of one loop: the Modbus block of its gauge (a connection each), and its nodes in the Read of its PLC (a
session a PLC). The servers run in a process of their own, and so do the bare reads (pymodbus and asyncua, nothing decoded) and the
service (decode, align, block, check, alert, store, page open to nobody). Both clients run through the same windows; the figures are
the processor time of each process, so what else the machine does matters only through its caches.

In the last window the stages are told; the clocks for that cost some microseconds a poll, so it is not counted in the ratio.
The first three minutes behind a start judge every block; `--warm` leaves them out. In the quarter of an hour behind it the checks are
asked at the beat of five minutes, all loops at once: the windows together last as long as one beat, so that it is counted, and
the ratio is that of the means. Later a calm loop is asked once an hour only (`--warm 1200`).
"""

from __future__ import annotations

import argparse
import json
import os
import pickle
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psutil

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.polling_site import polled_site

ROOT = Path(__file__).parents[2]
MOST_RATIO, GOAL_RATIO = 2.0, 1.5
MOST_LATE_S = 0.1
MOST_TOLD_S = 20.0
"""Length of the window in which the stages are told [s]."""


class Child:
    """A process of this bench that is asked over stdin."""

    def __init__(self, module: str, *args: object, log: Path) -> None:
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
        with log.open("w") as errors:
            self.process = subprocess.Popen(
                [sys.executable, "-P", "-m", f"tests.bench.{module}", str(os.getpid()), *map(str, args)],
                cwd=ROOT, env=environment | {"PYTHONPATH": str(ROOT)}, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                stderr=errors, text=True,
            )  # fmt: skip
        self._log = log
        self._of = psutil.Process(self.process.pid)

    def answer(self, ask: str = "") -> dict[str, Any]:
        """What it says next, asked or not."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        if ask:
            self.process.stdin.write(ask + "\n")
            self.process.stdin.flush()
        line = self.process.stdout.readline()
        if not line:
            raise SystemExit(f"a process of the bench ended: {self._log.read_text()[-3000:]}")
        said: dict[str, Any] = json.loads(line)
        return said

    def spent_s(self) -> float:
        """Processor time so far [s]."""
        times = self._of.cpu_times()
        return float(times.user + times.system)

    def spent_by_thread(self) -> dict[str, float]:
        """The same by the number of each thread."""
        return {str(thread.id): float(thread.user_time + thread.system_time) for thread in self._of.threads()}

    def memory_mb(self) -> float:
        """Resident memory [MB]."""
        return float(self._of.memory_info().rss) / 1e6

    def end(self) -> None:
        """End it."""
        self.process.kill()
        self.process.communicate()


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Microseconds a gauge-poll of both in each window, the stages of the last, lateness [s]."""

    loops: int
    bare_us: list[float]
    whole_us: list[float]
    threads_us: dict[str, float]
    stages_us: dict[str, float]
    told_us: float
    lateness: list[float]
    bare_late: list[float]
    skipped: int
    lost: float
    memory_mb: float

    @property
    def ratio(self) -> float:
        """Of the means: what the checks do at a beat lies in one window and is not left out."""
        return statistics.mean(self.whole_us) / statistics.mean(self.bare_us) if self.bare_us else float("nan")

    @property
    def median_ratio(self) -> float:
        """Of the medians of the windows."""
        return statistics.median(self.whole_us) / statistics.median(self.bare_us) if self.bare_us else float("nan")


def measure(loops: int, per_plc: int, *, warm_s: float, windows: int, seconds: float, bare: bool = True) -> Outcome:
    """Start plant, service and bare reads; measure; end all."""
    children: list[Child] = []
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)

        def start(module: str, *args: object) -> Child:
            children.append(Child(module, *args, log=folder / f"{module}.log"))
            return children[-1]

        try:
            wires = start("polling_plant").answer()
            kept = folder / "site.pickle"
            kept.write_bytes(pickle.dumps(polled_site(loops, per_plc, wires["gauges"], wires["plc"])))
            service = start("polling_service", kept, folder)
            reads = start("polling_bare", kept) if bare else None
            if reads is not None:
                reads.answer()
            return _measured(service, reads, loops, warm_s, windows, seconds)
        finally:
            for child in children:
                child.end()


def _measured(service: Child, reads: Child | None, loops: int, warm_s: float, windows: int, seconds: float) -> Outcome:
    deadline = time.monotonic() + 120.0
    while (said := service.answer("wait"))["up"] < said["endpoints"] or not said["endpoints"]:
        if time.monotonic() > deadline:
            raise SystemExit(f"only {said['up']} of {said['endpoints']} endpoints are read: {said['problems']}")
        time.sleep(0.5)
    time.sleep(warm_s)
    bare_us, whole_us, lateness, bare_late = [], [], [], []
    stages: dict[str, float] = {}
    threads: Counter[str] = Counter()
    skipped = polls = 0
    told_us = 0.0
    for window in range(windows + 1):
        last = window == windows
        said = service.answer("stages" if last else "window")
        skipped = said["skipped"] if window == 0 else skipped
        if reads is not None:
            reads.answer("window")
        spent = service.spent_s(), reads.spent_s() if reads is not None else 0.0
        before = service.spent_by_thread()
        time.sleep(min(seconds, MOST_TOLD_S) if last else seconds)
        spent = service.spent_s() - spent[0], (reads.spent_s() if reads is not None else 0.0) - spent[1]
        after = service.spent_by_thread()
        said = service.answer("end")
        cost = 1e6 * spent[0] / max(said["polls"], 1)
        if last:
            stages = {name: 1e6 * took / max(said["polls"], 1) for name, took in said["spent"].items()}
            told_us = cost
            break
        lateness += said["lateness"]
        polls += said["polls"]
        for number, took in after.items():
            threads[said["threads"].get(number, "others")] += took - before.get(number, 0.0)  # type: ignore[assignment]
        whole_us.append(cost)
        if reads is not None:
            read = reads.answer("end")
            bare_us.append(1e6 * spent[1] / max(read["gauge_polls"], 1))
            bare_late += read["lateness"]
    counters = said["counters"]
    if said["problems"]:
        print(f"  the service lacks: {said['problems']}")
    return Outcome(
        loops=loops, bare_us=bare_us, whole_us=whole_us, threads_us={name: 1e6 * took / max(polls, 1) for name, took in threads.items()},
        stages_us=stages, told_us=told_us, lateness=sorted(lateness), bare_late=sorted(bare_late),
        skipped=said["skipped"] - skipped, lost=counters.get("queue_dropped", 0.0) + counters.get("verify_dropped", 0.0),
        memory_mb=service.memory_mb(),
    )  # fmt: skip


def show(found: Outcome) -> None:
    """Print one measurement."""
    whole = statistics.mean(found.whole_us)
    print(f"{found.loops} loops: the service {_each(found.whole_us)} = {whole:.0f} us a gauge-poll, {found.memory_mb:.0f} MB")
    if found.bare_us:
        print(
            f"  bare reads {_each(found.bare_us)} = {statistics.mean(found.bare_us):.0f} us:"
            f" {found.ratio:.2f} x (must {MOST_RATIO:g}, goal {GOAL_RATIO:g}); of the median windows {found.median_ratio:.2f} x"
        )
    print(f"  by thread: {_parts(found.threads_us)}")
    rest = found.told_us - sum(found.stages_us.values())
    print(f"  by stage, of {found.told_us:.0f} us: reading, its tasks and all else {rest:.0f}, {_parts(found.stages_us)}")
    p50, p99 = _percentiles(found.lateness)
    beside = "p50 {:.1f} ms, p99 {:.1f} ms".format(*_percentiles(found.bare_late)) if found.bare_late else "not run"
    print(
        f"  late p50 {p50:.1f} ms, p99 {p99:.1f} ms {'held' if p99 < 1e3 * MOST_LATE_S else 'NOT held'} (bare reads: {beside});"
        f" {found.skipped} slots missed, {found.lost:g} rows lost; by processor time a core would carry {1e6 / whole:.0f} loops"
    )


def show_sweep(swept: list[Outcome]) -> None:
    """Print loops against lateness, and the most loops whose polls are in time."""
    print(f"{'loops':>6}{'us a poll':>11}{'p50 late':>11}{'p99 late':>11}{'slots missed':>14}")
    for found in swept:
        p50, p99 = _percentiles(found.lateness)
        print(f"{found.loops:6}{statistics.mean(found.whole_us):11.0f}{p50:8.1f} ms{p99:8.1f} ms{found.skipped:14}")
    held = [found.loops for found in swept if _percentiles(found.lateness)[1] < 1e3 * MOST_LATE_S]
    print(f"p99 below {1e3 * MOST_LATE_S:.0f} ms: {max(held, default=0)} loops (must 750, goal 1500)")


def _parts(costs: dict[str, float]) -> str:
    return ", ".join(f"{name} {cost:.0f}" for name, cost in sorted(costs.items(), key=lambda item: -item[1]) if cost >= 0.5)


def _percentiles(late: list[float]) -> tuple[float, float]:
    """Median and 99 % of sorted lateness [ms]."""
    if not late:
        return float("nan"), float("nan")
    return 1e3 * late[len(late) // 2], 1e3 * late[min(len(late) - 1, int(0.99 * len(late)))]


def _each(costs: list[float]) -> str:
    return "/".join(f"{cost:.0f}" for cost in costs)


def main() -> None:
    """Measure at each number of loops."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--loops", default="500", help="numbers of loops, with commas")
    parser.add_argument("--per-plc", type=int, default=25, help="loops that share a PLC")
    parser.add_argument("--warm", type=float, default=240.0, help="seconds before the first window")
    parser.add_argument("--windows", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=60.0, help="length of a window")
    parser.add_argument("--no-bare", action="store_true", help="without the bare reads, which take their part of the machine")
    args = parser.parse_args()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors", flush=True)
    swept = []
    for loops in map(int, args.loops.split(",")):
        found = measure(
            loops, args.per_plc, warm_s=args.warm, windows=args.windows, seconds=args.seconds, bare=not args.no_bare
        )
        show(found)
        sys.stdout.flush()
        swept.append(found)
    if len(swept) > 1:
        show_sweep(swept)


if __name__ == "__main__":
    main()
