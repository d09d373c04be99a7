"""The demo plant: an invented potash export terminal as a process of its own, on real sockets.

    python -P -m deploy.plant --site-out site.yaml            the running plant
    python -P -m deploy.plant history --hours 48 --out DIR    what it did before
    python -P -m deploy.plant past --out DIR                  whole days before that, newest first, file by file
    python -P -m deploy.plant faults                          what can be switched, as JSON

Found by others through the entry point group `tallywire.plants`, and started as a process, never imported.
"""

from __future__ import annotations

from collections.abc import Sequence


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the plant or write its history; the exit code."""
    from deploy.plant.command import main as run

    return run(arguments)
