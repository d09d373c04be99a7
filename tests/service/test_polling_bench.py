"""The bench of polling on a few loops for a few seconds: that it measures what it says. Its figures are no test."""

from __future__ import annotations

import pytest

from tests.bench.polling import measure, show
from tests.bench.polling_site import polled_site

LOOPS, PER_PLC = 6, 3


def test_site_has_a_gauge_a_loop_and_shares_its_plcs() -> None:
    site = polled_site(LOOPS, PER_PLC, {"TB-07": 1507, "TB-08": 1508, "TB-09": 1509}, "opc.tcp://127.0.0.1:4840/plc")
    assert sorted(site.endpoints) == [*(f"gauge-TB-{number:03}" for number in range(1, 7)), "plc-000", "plc-001"]
    assert {tag.endpoint for tag in site.loops["TB-004"].tags.values() if hasattr(tag, "endpoint")} == {
        "gauge-TB-004",
        "plc-001",
    }


@pytest.mark.waits
def test_service_and_bare_reads_poll_the_same_gauges_side_by_side(capsys: pytest.CaptureFixture[str]) -> None:
    found = measure(LOOPS, PER_PLC, warm_s=0.0, windows=1, seconds=3.0)
    assert found.whole_us[0] > 0.0
    assert found.bare_us[0] > 0.0
    assert len(found.lateness) >= LOOPS
    assert {"decode", "align", "store"} <= set(found.stages_us)
    assert sum(found.stages_us.values()) <= found.told_us * 1.1 + 1.0
    assert found.lost == 0
    show(found)
    assert "gauge-poll" in capsys.readouterr().out
