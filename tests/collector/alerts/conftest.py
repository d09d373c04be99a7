"""Books that are closed at the end of a test."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from collector.alerts.policy import Policy
from config.deliveries import Tell
from tests.collector.alerts.books import Kept

Make = Callable[..., Kept]


@pytest.fixture
def keep(tmp_path: Path) -> Iterator[Make]:
    """Makes books; each has a database of its own."""
    made: list[Kept] = []

    def make(policy: Policy | None = None, **tells: Tell) -> Kept:
        made.append(Kept(tmp_path / f"state{len(made)}.db", policy, **tells))
        return made[-1]

    yield make
    for kept in made:
        kept.state.close()
