"""The pages for people who do not see them, do not use a mouse, or read them on a small or dark screen.

Criteria: WCAG 2.2, levels A and AA, by the rules of axe-core; what rules cannot see (order, focus, motion, print) by hand.
"""

from __future__ import annotations

import re
from typing import Literal

import pytest
from playwright.sync_api import Page, expect
from starlette.routing import compile_path

from collector.clock import ManualClock
from collector.web.app import create_app
from tests import FULL, crossed
from tests.browser import places
from tests.browser.axe import violations
from tests.browser.conftest import Open, Past, Run
from tests.collector.web import plant
from tests.collector.web.locked import every_route
from tests.collector.web.test_uptime_page import Rolled

pytestmark = pytest.mark.browser

VIEWS: tuple[tuple[int, Literal["light", "dark"]], ...] = ((1280, "light"), (360, "dark"), (1280, "dark"), (360, "light"))
STATES = {"starting": plant.live, "stale": plant.stale, "lost": plant.lost}
OPEN_ALL = "document.querySelectorAll('details').forEach((item) => { item.open = true })"


def settled(page: Page) -> None:
    """Wait until scripts have drawn, and open whatever is folded."""
    page.wait_for_load_state("load")
    if page.locator("[data-panel]").count():
        expect(page.locator(".plot canvas").first).to_be_visible()
    page.evaluate(OPEN_ALL)


PHONE = 360


def broken_rules(page: Page) -> list[str]:
    """What is wrong on a page: wide and light, on a phone and dark; in the full run also the other two. A phone scrolls down only."""
    found = []
    settled(page)
    for width, scheme in VIEWS if FULL else VIEWS[:2]:
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme=scheme)
        found += [f"{width} px, {scheme}: {line}" for line in violations(page)]
        wide = page.evaluate("document.documentElement.scrollWidth")
        if width <= PHONE and wide > PHONE:
            found.append(f"{width} px: the page is {wide} px wide and scrolls sideways")
    return found


def test_every_page_route_is_among_the_pages_that_are_looked_at() -> None:
    app = create_app(plant.faulty(), None, plant.MemoryDesk(), ManualClock(plant.NOW))
    routes = [path for method, path in every_route(app) if method == "GET"]
    assert len(routes) > 40
    shown = [
        path for path in routes if not path.startswith("/api/") and not path.endswith((*places.NO_PAGES, *places.ON_THE_WAY))
    ]
    visited = [address.partition("?")[0] for address in (*places.EVERY.values(), *places.LOCKED.values())]
    missed = [path for path in shown if not any(re.fullmatch(compile_path(path)[0], address) for address in visited)]
    assert missed == []


@pytest.mark.parametrize("name", places.EVERY)
def test_page_breaks_no_rule(past: Past, visit: Open, name: str) -> None:
    seen = visit(past.base + places.EVERY[name])
    assert broken_rules(seen.page) == []
    assert seen.errors == []


@pytest.mark.parametrize(("state", "name"), crossed(tuple(STATES), ("site", "loop", "tags")))
def test_page_breaks_no_rule_when_something_is_amiss(run: Run, visit: Open, state: str, name: str) -> None:
    running = run(STATES[state])
    assert broken_rules(visit(running.base + places.PAGES[name]).page) == []


def test_error_page_breaks_no_rule_and_says_what_to_do(run: Run, visit: Open) -> None:
    running = run(plant.faulty)
    page = visit(running.base + places.UNKNOWN).page
    expect(page.locator("main")).to_contain_text("What to do")
    assert broken_rules(page) == []


FOCUSABLE = """() => [...document.querySelectorAll('a[href], button, input:not([type=hidden]), select, summary, [tabindex="0"]')]
  .filter((item) => item.checkVisibility()).length"""
AT = """() => {
  const item = document.activeElement;
  if (!item || item === document.body) return null;
  const all = [...document.querySelectorAll("*")];
  const style = getComputedStyle(item);
  const box = item.getBoundingClientRect();
  return { place: all.indexOf(item), outline: style.outlineStyle !== "none" ? parseFloat(style.outlineWidth) : 0,
    name: item.outerHTML.slice(0, 90), shown: box.bottom > 0 && box.top < innerHeight && box.width > 0 };
}"""


@pytest.mark.parametrize("name", ["site", "loop", "alerts", "uptime", "trend", "cause"])
def test_tab_reaches_everything_in_order_with_a_focus_that_shows(
    run: Run, visit: Open, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.setattr(plant, "MemoryStore", Rolled)
    running = run(plant.faulty, alerts=True)
    page = visit(running.base + places.PAGES[name]).page
    settled(page)
    wanted, seen = page.evaluate(FOCUSABLE), []
    for _ in range(wanted + 40):
        page.keyboard.press("Tab")
        at = page.evaluate(AT)
        if at is None:
            break
        seen.append(at)
    assert [item["name"] for item in seen if item["outline"] < 2 or not item["shown"]] == []
    order = [item["place"] for item in seen]
    assert len(set(order)) >= wanted
    assert order == sorted(order)


def test_first_tab_offers_the_way_past_the_navigation(run: Run, visit: Open) -> None:
    running = run(plant.faulty)
    page = visit(running.base).page
    page.keyboard.press("Tab")
    skip = page.get_by_role("link", name="To the content")
    expect(skip).to_be_focused()
    expect(skip).to_be_in_viewport()
    page.keyboard.press("Enter")
    expect(page.locator("#main")).to_be_focused()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.closest('main') !== null")


def test_nothing_moves_for_those_who_asked_for_no_motion(run: Run, visit: Open) -> None:
    running = run(plant.faulty)
    page = visit(running.base).page
    running.call(running.live.touch)
    moving = "document.getAnimations().filter((item) => item.playState === 'running').length"
    assert page.evaluate(moving) == 0


def test_verdicts_do_not_rest_on_colour(run: Run, visit: Open) -> None:
    running = run(plant.faulty)
    page = visit(running.base).page
    shapes = page.evaluate("""() => Object.fromEntries([...document.querySelectorAll(".legend > span")]
        .map((item) => [item.textContent.trim(), item.querySelector("svg").innerHTML]))""")
    assert set(shapes) == {"agrees", "doubtful", "differs", "not evaluated"}
    shapes["not evaluated"] += page.evaluate("getComputedStyle(document.querySelector('.mark.not_evaluated')).strokeDasharray")
    assert len(set(shapes.values())) == 4
    for item in page.locator(".strip li").all():
        assert item.locator(".said").text_content() in shapes


def test_print_leaves_out_what_paper_cannot_do_and_keeps_the_cautions(run: Run, visit: Open) -> None:
    running = run(plant.faulty, alerts=True)
    page = visit(f"{running.base}/alerts").page
    page.emulate_media(media="print")
    for gone in ("nav", ".act", ".skip"):
        assert not any(item.is_visible() for item in page.locator(gone).all()), gone
    expect(page.locator(".cautions").first).to_be_visible()
    expect(page.get_by_text("Not a radiation safety function", exact=False)).to_be_visible()
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
