"""What verification costs beside the building of blocks and beside a bare scan of the same columns, side by side in one run.

    .venv/bin/python -P tests/bench/engine_speed.py [HOURS] [LOOP ...]

The healthy plant and one with a finding that stands, loops of the terminal; every figure is the median of five rounds in which the
ways take turns. Processor seconds are scaled to a loop-day; the ratios are what counts, for machines differ.
"""

from __future__ import annotations

import io
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from checks.build import BlockBuilder
from checks.engine import LoopEngine
from checks.samples import Samples, join
from collector.replay.work import PIECE
from tests.acceptance.simulated import LOOPS, Order, samples_of
from tests.checks.runs_of_terminal import BEGIN, terminal

SEED, ROUNDS = 5, 5
DAY_H = 24.0
PLANTS: dict[str, tuple[Order, ...]] = {"honest": (), "standing finding": (Order(1800, "upper-range@plc"),)}


def spent(work: Callable[[], object]) -> float:
    """Processor seconds that a piece of work takes."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


def in_parquet(whole: Samples) -> bytes:
    """The samples as one file of columns, compressed with zstd."""
    columns: dict[str, np.ndarray] = {"time": whole.time_s, **whole.values}
    out = io.BytesIO()
    pq.write_table(pa.table(columns), out, compression="zstd")
    return out.getvalue()


def measured(loop: str, hours: float, orders: Sequence[Order]) -> dict[str, float]:
    """Processor seconds of each way for so many hours: medians of rounds in which the ways take turns."""
    site, seconds = terminal(), int(hours * 3600)
    whole = join(list(samples_of(loop, BEGIN, seconds, SEED, orders)))
    pieces = [whole[slice(first, first + PIECE)] for first in range(0, seconds, PIECE)]  # as a replay works on them
    file = in_parquet(whole)
    times: dict[str, list[float]] = {"scan": [], "build": [], "judge": [], "show": []}
    for turn in range(ROUNDS):
        builder, engine, shown = BlockBuilder(site, loop), LoopEngine(site, loop), LoopEngine(site, loop)
        times["scan"].append(spent(lambda: pq.read_table(io.BytesIO(file), use_threads=False)))
        times["build"].append(spent(lambda: [builder.push(piece) for piece in pieces]))  # noqa: B023 - called at once
        times["judge"].append(spent(lambda: [engine.push(piece) for piece in pieces]))  # noqa: B023
        if not turn:  # every block, as the page of the service shows it: once will do
            times["show"].append(spent(lambda: [shown.push(piece, show=True) for piece in pieces]))  # noqa: B023
    return {way: median(each) for way, each in times.items()}


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 6.0
    print(f"{hours:g} h at 1 s, seed {SEED}, median of {ROUNDS} rounds; processor seconds a loop-day, and ratios")
    print(f"{'loop':7}{'plant':18}{'scan':>7}{'build':>7}{'judge':>8}{'shown':>8}{'judge/build':>13}{'judge/scan':>12}")
    for loop in sys.argv[2:] or LOOPS:
        for plant, orders in PLANTS.items():
            found = {way: seconds * DAY_H / hours for way, seconds in measured(loop, hours, orders).items()}
            print(
                f"{loop:7}{plant:18}{found['scan']:7.3f}{found['build']:7.2f}{found['judge']:8.2f}{found['show']:8.1f}"
                f"{found['judge'] / found['build']:12.1f}x{found['judge'] / found['scan']:11.0f}x",
                flush=True,
            )


if __name__ == "__main__":
    main()
