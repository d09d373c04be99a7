"""The page of uptime as people see it, wide and narrow."""

from __future__ import annotations

import pytest

from tests.browser.conftest import Open, Run
from tests.collector.web import plant
from tests.collector.web.test_uptime_page import Rolled


@pytest.mark.parametrize("width", [1280, 360])
def test_strips_show_without_errors_and_without_scrolling_sideways(
    run: Run, visit: Open, monkeypatch: pytest.MonkeyPatch, width: int
) -> None:
    monkeypatch.setattr(plant, "MemoryStore", Rolled)
    running = run(plant.healthy)
    seen = visit(f"{running.base}/uptime?span=week", width=width)
    assert seen.page.locator("svg.states").count() == len(running.live.site.loops)
    assert seen.page.locator("svg.states").first.get_attribute("aria-label")
    assert seen.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert seen.errors == []
