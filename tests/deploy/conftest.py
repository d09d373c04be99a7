"""One running plant for the tests that only look at it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from collector.demo import PlantProcess, start_plant

SEED = 3


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PlantProcess]:
    running = start_plant(tmp_path_factory.mktemp("plant"), seed=SEED)
    try:
        yield running
    finally:
        running.stop()
