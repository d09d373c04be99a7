"""A history in a temporary folder, opened and reopened at will; on each kind of database, one after the other."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from collector.clock import ManualClock
from collector.history.opening import open_store
from collector.history.sqlite import SqliteStore
from collector.history.tiers import TieredStore
from config.model import Site
from tests.collector.history.recorded import terminal
from tests.postgres import Server

Opener = Callable[..., TieredStore]
DATABASE = "TALLYWIRE_TEST_DATABASE"


@pytest.fixture(params=["sqlite", "postgres"])
def backend(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """The kind of database that `opened` opens; addresses of two shared ones are in the environment, as a service has them."""
    if request.param == "postgres":
        server: Server = request.getfixturevalue("postgres_server")
        for number in range(2):
            monkeypatch.setenv(f"{DATABASE}_{number}", server.database(number))
    return str(request.param)


@pytest.fixture
def opened(tmp_path: Path, backend: str) -> Iterator[Opener]:
    """Opens the history of this test; what is still open at its end is closed."""
    stores: list[TieredStore] = []
    folders: list[Path] = []

    def make(*, site: Site | None = None, read_only: bool = False, folder: Path | None = None) -> TieredStore:
        here, wanted = folder or tmp_path / "data", site or terminal()
        if backend == "postgres":
            folders.extend([here] if here not in folders else [])
            name = f"{DATABASE}_{folders.index(here)}"
            kept = wanted.history.model_copy(update={"database_env": name, "archive": here / "archive"})
            wanted = wanted.model_copy(update={"history": kept})
        store = open_store(here, wanted, clock=ManualClock(), read_only=read_only)
        stores.append(store)
        return store

    yield make
    for store in stores:
        store.close()


@pytest.fixture
def embedded(tmp_path: Path) -> Iterator[Callable[..., SqliteStore]]:
    """The same for what only the embedded history has."""
    stores: list[SqliteStore] = []

    def make(*, site: Site | None = None, read_only: bool = False, folder: Path | None = None) -> SqliteStore:
        store = open_store(folder or tmp_path / "data", site or terminal(), clock=ManualClock(), read_only=read_only)
        assert isinstance(store, SqliteStore)
        stores.append(store)
        return store

    yield make
    for store in stores:
        store.close()
