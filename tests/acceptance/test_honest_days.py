"""Honest plants tell no fault: the first loop-days of the bench `tests/bench/honest_days.py`, spread over sites and nuisances.

Every run of the tests looks at the first `HOURS` of `RUNS` of them; with TALLYWIRE_FULL=1 all `DAYS` are run in full, in which
none may be false. The bench runs the thousands.
"""

from __future__ import annotations

import pytest

from tests import FULL
from tests.bench.diagnosis import MONTH_H, poisson_bound
from tests.bench.honest_days import Day, days
from tests.faults.draws import draw
from tests.faults.nuisances import HOUR_S, run_nuisance

DAYS, DRAWS = 60, 50
RUNS, HOURS = 60, 6.0
"""Each nuisance on four sites of its own, six hours of a day each, in which each comes at least once: 15 loop-days."""
COUNT, LENGTH = (DAYS, 24.0) if FULL else (RUNS, HOURS)
ONCE_FALSE = (
    (Day("nothing", 7, 0), 2.0),  # a card without a code below 4 mA
    (Day("rollover", 9, 0), 0.4),  # a rollover that was decided behind the end of a block
    (Day("comms-blips", 4, 0), 1.2),  # counts behind a damping that crossed a gap
    (Day("gauge-restart", 41, 0), 0.5),  # a feed that ended just before the first sample
)
"""Days on which something false was told once, with the hours that it took and some more."""


@pytest.mark.statistical
@pytest.mark.parametrize(
    ("day", "hours"),
    [*((day, LENGTH) for day in days(COUNT, DRAWS)), *ONCE_FALSE],
    ids=lambda value: f"{value.name}-on-{value.draw}" if isinstance(value, Day) else f"{value:g}h",
)
def test_honest_day_tells_no_fault(day: Day, hours: float) -> None:
    months = COUNT * LENGTH / MONTH_H
    print(draw(day.draw).words)
    print(
        f"{COUNT} runs, {COUNT * LENGTH / 24.0:g} loop-days: none false means at most {poisson_bound(0) / months:.2f} per loop-month (95 %)"
    )
    assert run_nuisance(day.name, day.draw, day.round, round(hours * HOUR_S)).told == ()
