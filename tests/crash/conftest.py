"""One process of victims for all crash tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.crash.killing import Victim


@pytest.fixture(scope="package")
def victim() -> Iterator[Victim]:
    """Imported once, forked for each child."""
    made = Victim()
    yield made
    made.close()
