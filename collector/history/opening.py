"""The history of a site, wherever its site file says that it lies."""

from __future__ import annotations

from pathlib import Path

from collector.clock import Clock
from collector.history import sqlite
from collector.history.tiers import TieredStore
from config.model import Site


def open_store(data: Path, site: Site, *, clock: Clock, read_only: bool = False) -> TieredStore:
    """The embedded history of a data folder, or the shared one: for reading, or to write while no service does.

    Raises
    ------
    TallywireError
        Another service writes here, the history is newer or damaged, or it cannot be reached.
    """
    if site.history.shared:
        from collector.history.postgres import open_shared

        return open_shared(data, site, clock=clock, read_only=read_only)
    return sqlite.open_store(data, site, clock=clock, read_only=read_only)
