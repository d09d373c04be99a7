"""Failures by cause."""

from __future__ import annotations

import pytest

from checks.reliability.pareto import pareto
from checks.reliability.timeline import silent_s, timeline
from tests.checks.reliability.test_timeline import BEGIN, blocks, outage


def test_hours_of_required_time_tonnes_and_mode_of_a_cause() -> None:
    faults = [outage(0, 90), outage(120, 180)]
    found = timeline([blocks([(0, "loaded", 1.0), (1, "stopped", 1.0), (2, "loaded", 1.0)])], faults, [], BEGIN, BEGIN + 180)
    (share,) = pareto(faults, found)
    assert (share.cause, share.mode, share.count, share.tonnes) == ("zero-counts", "NOO", 2, 8.0)
    assert share.hours == pytest.approx(120 / 3600)
    assert silent_s(faults[0]) == 30
