"""The history in a temporary folder, as the tests of the embedded history open it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from collector.history.sqlite import SqliteStore
from tests.collector.history.conftest import embedded

__all__ = ["embedded", "opened"]

Opener = Callable[..., SqliteStore]


@pytest.fixture
def opened(embedded: Opener) -> Opener:
    """Opens the history of this test."""
    return embedded
