"""kill -9 at random points of a life of alerts: the share of tests/bench/alert_kills.py that every run looks at."""

from __future__ import annotations

import pytest

from tests import FULL
from tests.bench.alert_kills import WRONG, run

pytestmark = [pytest.mark.crash, pytest.mark.xdist_group("crash")]

KILLS = 60 if FULL else 8
"""A share of the 200 of the bench; more with TALLYWIRE_FULL=1."""
SEED = 7


def test_nothing_is_lost_and_nothing_is_told_twice() -> None:
    found = run(KILLS, SEED, steps=6 * KILLS)
    assert {name: found[name] for name in WRONG} == dict.fromkeys(WRONG, 0)
    assert found["kills"] >= KILLS // 2
    assert found["messages"] >= 10
