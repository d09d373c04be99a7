"""Alerts that come and go by the hundred: the share of tests/bench/alert_flapping.py that every run looks at."""

from __future__ import annotations

from collector.alerts.flood import BEGINS_ABOVE
from tests import FULL
from tests.bench.alert_flapping import CAUSES, run

ALERTS, MINUTES = (5000, 60) if FULL else (120, 12)
"""A share of the whole hour of 5,000 alerts; that with TALLYWIRE_FULL=1."""


def test_flapping_alerts_are_told_less_than_once_a_cause_and_the_page_stays_small() -> None:
    found = run(ALERTS, MINUTES, 3)
    assert found["times raised"] > 2 * ALERTS
    assert found["alerts in the book"] <= ALERTS
    handed_up = 1 + MINUTES // 10
    assert found["messages"] <= BEGINS_ABOVE + len(CAUSES) + 2 + handed_up < ALERTS
    assert found["page alerts kB"] < 400
    assert found["page found kB"] < 60
