"""One standing plant for all tests of commissioning."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.collector.commissioning.plant import StandingPlant, standing_plant


@pytest.fixture(scope="package")
def plant() -> Iterator[StandingPlant]:
    """The terminal on real sockets, loaded and standing still."""
    with standing_plant() as started:
        yield started
