"""The demo on real sockets, as the README promises it: page, alert under its name, chain, metrics, a clean end."""

from __future__ import annotations

import time
from pathlib import Path

import httpx
import pytest

from tests.acceptance.live_demo import live_demo


@pytest.mark.waits
@pytest.mark.timeout(900)
def test_demo_shows_its_page_and_alerts_a_dead_detector_under_its_name(tmp_path: Path) -> None:
    with live_demo(tmp_path / "demo", "--history", "0.125") as demo:
        demo.wait("every loop has a fresh evaluation", lambda: _ready(demo.page), 120.0)
        assert demo.alerts() == []
        demo.switch("zero-counts", "on", "TB-07")
        took = demo.wait("zero-counts is alerted", lambda: _causes(demo.alerts()) == {("TB-07", "zero-counts")}, 90.0)
        print(f"zero-counts on TB-07 alerted after {took:.0f} s")
        page = httpx.get(f"{demo.page}/loops/TB-07", trust_env=False).text
        assert "survey meter" in page
        metrics = httpx.get(f"{demo.page}/metrics", trust_env=False).text
        assert "zero-counts" in metrics
        demo.process.terminate()
        began = time.monotonic()
        assert demo.process.wait(15.0) == 0
        print(f"ended {time.monotonic() - began:.1f} s after SIGTERM")
    assert not any("Traceback" in line for line in demo.lines)


def _ready(page: str) -> bool:
    return httpx.get(f"{page}/api/v1/readyz", trust_env=False).is_success


def _causes(alerts: list[dict[str, object]]) -> set[tuple[object, object]]:
    out = set()
    for alert in alerts:
        finding = alert["finding"]
        assert isinstance(finding, dict)
        out.add((alert["loop"], finding["cause"]))
    return out
