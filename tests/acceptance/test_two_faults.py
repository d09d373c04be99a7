"""Two faults at once on different links: both are named, and neither hides the other."""

from __future__ import annotations

import pytest

from tests import crossed
from tests.acceptance.simulated import Order, tell
from tests.checks.runs_of_terminal import BEGIN, terminal

SEED = 7
PAIRS = (
    ("upper-range@plc", "total-time-base"), ("detector-temperature", "current-offset"), ("ton-unit", "counted-twice"),
    ("current-leak", "upper-range@plc"), ("current-offset", "upper-range@plc"), ("upper-range", "total-time-base"),
)  # fmt: skip


@pytest.mark.parametrize(("pair", "loop"), crossed(PAIRS, ("TB-07", "TB-08")), ids=str)
def test_both_of_two_faults_are_named(pair: tuple[str, str], loop: str) -> None:
    first, second = pair
    told = tell(terminal(), loop, BEGIN, 3800 + 2400, SEED, [Order(3800, first), Order(4000, second)])
    latest = {item.change.episode.id: item.change for item in told}
    standing = {change.episode.finding.cause for change in latest.values() if change.kind != "returned"}
    assert standing == {first.split("@")[0], second.split("@")[0]}
    assert len({change.episode.link for change in latest.values()}) == 2
