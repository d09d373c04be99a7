"""The tonnes as people see them, wide and narrow, light and dark, and a period that is closed and restated by hand."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import expect

from checks.reliability.timeline import LoopState
from collector.clock import ManualClock
from tests.browser import served as serving
from tests.browser.conftest import Open
from tests.collector.accounts import site
from tests.collector.accounts.histories import Kept, noted
from tests.collector.web import plant

DAY = "kind=day&period=2026-02-27"


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[str, Kept]]:
    """The pages over a history known by hand, on a free port."""
    store = site.history()
    app = site.application(plant.healthy(float(site.NOW)), tmp_path, ManualClock(float(site.NOW)), store)
    with serving.served(app) as base:
        yield base, store


@pytest.mark.parametrize(("width", "dark"), [(1280, False), (360, True)])
@pytest.mark.parametrize("path", ["/totals", "/loops/TB-07/totals", "/loops/TB-09/totals"])
def test_pages_show_without_errors_and_without_scrolling_sideways(
    served: tuple[str, Kept], visit: Open, path: str, width: int, dark: bool
) -> None:
    seen = visit(f"{served[0]}{path}?{DAY}", width=width, dark=dark)
    assert seen.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert seen.errors == []


def test_names_of_the_picture_do_not_run_into_their_values(served: tuple[str, Kept], visit: Open) -> None:
    for width in (1280, 360):
        seen = visit(f"{served[0]}/loops/TB-07/totals?{DAY}", width=width)
        texts = seen.page.locator(".bridge svg text:not(.axis)")
        boxes = [texts.nth(number).bounding_box() for number in range(texts.count())]
        pairs = list(zip(boxes[::2], boxes[1::2], strict=True))
        assert len(pairs) == 4
        assert all(name and value and name["x"] + name["width"] < value["x"] for name, value in pairs)


def test_a_day_is_closed_and_restated_by_hand(served: tuple[str, Kept], visit: Open) -> None:
    base, store = served
    page = visit(f"{base}/loops/TB-07/totals?{DAY}").page
    page.get_by_label("your name").fill("K. Weber")
    page.get_by_role("button", name="Close 2026-02-27").click()
    expect(page).to_have_url(f"{base}/records/1")
    page.goto(f"{base}/loops/TB-07/totals?{DAY}")
    expect(page.get_by_text("The history still says the same.")).to_be_visible()
    store.annotate(noted(site.FAULT + 86400, site.FAULT + 93600, LoopState.NOT_MEASURING))
    page.goto(f"{base}/loops/TB-07/totals?{DAY}")
    page.get_by_label("your name").fill("R. Ortega")
    page.get_by_label("reason").fill("shutter was closed")
    page.get_by_role("button", name="Restate 2026-02-27").click()
    expect(page).to_have_url(f"{base}/records/2")


def test_another_period_is_picked_by_its_day(served: tuple[str, Kept], visit: Open) -> None:
    page = visit(f"{served[0]}/totals").page
    page.get_by_text("Another period").click()
    form = page.locator("form.period").first
    form.get_by_label("period").select_option("month")
    form.get_by_label("day in it").fill("2026-02-25")
    form.get_by_role("button", name="Show").click()
    expect(page.locator("h1")).to_have_text("Tonnes of 2026-02")
