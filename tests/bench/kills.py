"""Kills -9 of what keeps the history, at random points of append, rollup, seal and change of hands, on both databases.

    python -P tests/bench/kills.py [--kills 200] [--seed N] [--only embedded|shared]

A kill shows the death of a process or of the server; the loss of power, where the cache of the disk goes too, is not shown here.
Prints the seed and what was acknowledged, lost, damaged, or written under a superseded epoch; ends with 1 where anything was.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.crash.trials import Counted, embedded, shared
from tests.postgres import Server


def main() -> int:
    """Run both and print what was found."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--only", choices=("embedded", "shared"))
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(2**32))
    args = parser.parse_args()
    print(f"seed {args.seed}", flush=True)
    bad = 0
    with tempfile.TemporaryDirectory(prefix="tallywire-kills-") as folder:
        began = time.monotonic()
        if args.only != "shared":
            bad += _said("embedded", embedded(Path(folder) / "embedded", args.kills, args.seed), began)
        if args.only == "embedded":
            return 1 if bad else 0
        server, began = Server(), time.monotonic()
        try:
            bad += _said("shared, three collectors", shared(Path(folder) / "shared", server, args.kills, args.seed), began)
        finally:
            server.close()
    return 1 if bad else 0


def _said(what: str, found: Counted, began: float) -> int:
    print(f"{what}: {found.said} ({time.monotonic() - began:.0f} s)", flush=True)
    return found.lost + found.corrupt + found.superseded


if __name__ == "__main__":
    sys.exit(main())
