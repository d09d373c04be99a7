"""What every folder of tests may use."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.postgres import Server


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[Server]:
    """A PostgreSQL server of this run's own; where it is missing, what needs it fails."""
    server = Server()
    yield server
    server.close()
