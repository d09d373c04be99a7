"""A history in a temporary folder, opened and reopened at will."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from collector.clock import ManualClock
from collector.history.sqlite import SqliteStore, open_store
from config.model import Site
from tests.collector.history.recorded import terminal

Opener = Callable[..., SqliteStore]


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[Opener]:
    """Opens the history of this test; what is still open at its end is closed."""
    stores: list[SqliteStore] = []

    def make(*, site: Site | None = None, read_only: bool = False, folder: Path | None = None) -> SqliteStore:
        store = open_store(folder or tmp_path / "data", site or terminal(), clock=ManualClock(), read_only=read_only)
        stores.append(store)
        return store

    yield make
    for store in stores:
        store.close()
