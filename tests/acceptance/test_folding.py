"""One cause, one episode: what a fault leaves behind in the hour after it is not told as another."""

from __future__ import annotations

import pytest

from deploy.plant.faults import FAULTS
from tests import crossed
from tests.acceptance.simulated import LOOPS, Order, tell
from tests.checks.runs_of_terminal import BEGIN, terminal

SEED = 5
ON_S, OFF_S, END_S = 3800, 4700, 6600
ALONE = (
    "zero-counts",
    "shutter-closed",
    "gateway-zeros",
    "open-loop",
    "burnout-value",
    "forced-value",
    "tach-lost",
    "mode-left-on",
)


@pytest.mark.parametrize(("fault", "loop"), crossed(ALONE, LOOPS))
def test_fault_that_comes_and_goes_is_one_episode_under_its_name(fault: str, loop: str) -> None:
    assert fault in FAULTS
    told = tell(terminal(), loop, BEGIN, END_S, SEED, [Order(ON_S, fault), Order(OFF_S, fault, on=False)])
    assert {item.change.episode.id for item in told} == {told[0].change.episode.id}
    assert [item.change.kind for item in told] == ["raised", "returned"]
    assert told[0].change.episode.finding.cause == fault
