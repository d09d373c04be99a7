"""What verification costs beside the building of blocks, and what judging every block would cost, side by side in one run.

    .venv/bin/python -P tests/bench/engine_speed.py [HOURS]

Three loops of the terminal, the healthy plant; processor seconds are printed, the ratios are what counts.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from checks.build import BlockBuilder
from checks.engine import LoopEngine
from tests.acceptance.simulated import LOOPS, samples_of
from tests.checks.runs_of_terminal import BEGIN, terminal

SEED = 5


def spent(work: Callable[[], object]) -> float:
    """Processor seconds that a piece of work takes."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 6.0
    site = terminal()
    print(f"{hours:g} h at 1 s, seed {SEED}; processor seconds, and times the building of blocks")
    print(f"{'loop':8}{'build':>10}{'judge':>10}{'':>8}{'all shown':>12}")
    for loop in LOOPS:
        pieces = list(samples_of(loop, BEGIN, int(hours * 3600), SEED))
        builder, engine, shown = BlockBuilder(site, loop), LoopEngine(site, loop), LoopEngine(site, loop)
        build = spent(lambda: [builder.push(piece) for piece in pieces])  # noqa: B023 - called at once
        judge = spent(lambda: [engine.push(piece) for piece in pieces])  # noqa: B023
        every = spent(lambda: [shown.push(piece, show=True) for piece in pieces])  # noqa: B023
        print(f"{loop:8}{build:9.2f}s{judge:9.2f}s{judge / build:7.1f}x{every:11.2f}s{every / build:7.1f}x")


if __name__ == "__main__":
    main()
