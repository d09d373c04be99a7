"""A dozen kills at random points of append, rollup, seal and change of hands; `tests/bench/kills.py` does hundreds."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from tests import FULL
from tests.crash.trials import embedded, shared
from tests.postgres import Server

SEED = int(os.environ.get("TALLYWIRE_TEST_SEED", random.SystemRandom().randrange(2**32)))
pytestmark = [pytest.mark.crash, pytest.mark.timeout(280)]


def test_kills_of_the_embedded_history_lose_and_damage_nothing(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    found = embedded(tmp_path / "data", 40 if FULL else 5, SEED)
    print(found.said)
    assert (found.lost, found.corrupt) == (0, 0)


def test_kills_hangs_and_a_server_that_dies_leave_the_shared_history_whole_with_one_writer_a_loop(
    tmp_path: Path, postgres_server: Server
) -> None:
    print(f"seed {SEED}")
    found = shared(tmp_path / "data", postgres_server, 40 if FULL else 8, SEED)
    print(found.said)
    assert (found.lost, found.corrupt, found.superseded) == (0, 0, 0)
