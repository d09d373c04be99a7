"""What a person sees and does: in a real browser, on a desk and on a phone."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from checks.result import Verdict
from tests import FULL
from tests.browser.conftest import Open, Run
from tests.collector.web import plant

pytestmark = pytest.mark.browser

PATHS = (
    "/",
    "/loops/TB-07",
    "/alerts",
    "/tags",
    "/loops/TB-07/trend?span=2h",
    "/loops/TB-07/lines",
    "/causes",
    "/causes/upper-range",
)
STATES = {"healthy": plant.healthy, "faulty": plant.faulty, "starting": plant.live, "stale": plant.stale, "lost": plant.lost}


TRIED = list(STATES) if FULL else ["faulty", "starting"]
"""Every state with TALLYWIRE_FULL=1."""


@pytest.mark.parametrize("state", TRIED)
def test_pages_render_without_console_errors_and_ask_no_other_host(run: Run, visit: Open, state: str) -> None:
    running = run(STATES[state], alerts=state == "faulty")
    seen = visit(running.base)
    for path in PATHS:
        seen.page.goto(running.base + path)
        expect(seen.page.locator("h1")).to_be_visible()
        seen.page.wait_for_load_state("load")
        assert seen.errors == []
        assert seen.hosts == {running.base.removeprefix("http://")}


@pytest.mark.parametrize("state", ["faulty", "starting"] if FULL else ["faulty"])
def test_phone_needs_no_sideways_scroll(run: Run, visit: Open, state: str) -> None:
    running = run(STATES[state], alerts=state == "faulty")
    page = visit(running.base, width=360).page
    for path in PATHS:
        page.goto(running.base + path)
        page.evaluate("document.querySelectorAll('details').forEach((item) => { item.open = true })")
        assert page.evaluate("document.documentElement.scrollWidth") <= 360, path


def test_page_changes_by_itself_when_an_evaluation_comes(run: Run, visit: Open) -> None:
    running = run(plant.healthy)
    page = visit(f"{running.base}/loops/TB-07").page
    standing = page.locator(".standing .verdict")
    expect(standing).to_have_text("agrees")
    with page.expect_request("**/loops/TB-07/fragment"):
        running.call(lambda: running.live.take_evaluation(plant.evaluation("TB-07", Verdict.FAULT, int(running.now))))
    expect(standing).to_have_text("differs")
    expect(page.locator(".finding")).to_have_count(1)


def test_opened_details_and_the_focus_survive_a_change(run: Run, visit: Open) -> None:
    running = run(plant.faulty)
    page = visit(f"{running.base}/loops/TB-07").page
    page.locator("#checks summary").click()
    with page.expect_response("**/loops/TB-07/fragment"):
        running.call(lambda: running.live.take_evaluation(plant.evaluation("TB-07", Verdict.OK, int(running.now))))
    expect(page.locator(".standing .verdict")).to_have_text("agrees")
    expect(page.locator("#checks")).to_have_attribute("open", "")
    expect(page.locator("#checks summary")).to_be_focused()


def test_alert_is_acknowledged_by_keyboard(run: Run, visit: Open) -> None:
    running = run(plant.faulty, alerts=True)
    seen = visit(f"{running.base}/alerts")
    seen.page.get_by_label("Your name").first.focus()
    seen.page.keyboard.type("R. Sandhu")
    seen.page.keyboard.press("Enter")
    expect(seen.page.get_by_text("Acknowledged by R. Sandhu").first).to_be_visible()
    assert running.desk.standing()[0].acknowledged_by == "R. Sandhu"
    assert seen.errors == []


def test_typing_is_not_disturbed_by_a_change(run: Run, visit: Open) -> None:
    running = run(plant.faulty, alerts=True)
    page = visit(f"{running.base}/alerts").page
    name = page.get_by_label("Your name").first
    name.fill("R. San")
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.evaluate("""() => new Promise((told) => {
      const own = new EventSource("/events");
      let events = 0;
      own.addEventListener("change", () => { events += 1; document.body.dataset.events = events; told(); });
    })""")
    running.call(running.live.touch)
    page.wait_for_function("document.body.dataset.events === '2'")
    assert not any("/fragment" in address for address in asked)
    expect(name).to_have_value("R. San")


def test_alert_is_acknowledged_without_javascript(run: Run, visit: Open) -> None:
    running = run(plant.faulty, alerts=True)
    page = visit(f"{running.base}/alerts", script=False).page
    page.get_by_label("Your name").first.fill("R. Sandhu")
    page.get_by_role("button", name="Acknowledge").click()
    expect(page.get_by_text("Acknowledged by R. Sandhu").first).to_be_visible()


def test_hostile_name_runs_nothing(run: Run, visit: Open) -> None:
    running = run(plant.faulty, alerts=True)
    seen = visit(f"{running.base}/alerts")
    seen.page.get_by_label("Your name").first.fill("<img src=x onerror=document.title='taken'>")
    seen.page.get_by_role("button", name="Acknowledge").click()
    expect(seen.page.get_by_text("Acknowledged by <img").first).to_be_visible()
    assert "taken" not in seen.page.title()
    assert seen.errors == []


def test_lost_service_is_told_on_the_open_page(run: Run, visit: Open) -> None:
    running = run(plant.healthy)
    page = visit(running.base).page
    expect(page.locator("h1")).to_be_visible()
    page.route("**/fragment?*", lambda route: route.abort())
    running.call(running.live.touch)
    expect(page.locator("#link-state")).to_contain_text("What stands here is old.")
    page.unroute("**/fragment?*")
    running.call(running.live.touch)
    expect(page.locator("#link-state")).to_be_hidden()


def test_page_reloads_by_itself_without_javascript(run: Run, visit: Open) -> None:
    running = run(plant.faulty)
    page = visit(running.base, script=False).page
    assert page.locator('meta[http-equiv="refresh"]').get_attribute("content") == "20"
    expect(page.get_by_text("Do this next")).to_be_visible()


def test_trend_is_drawn_with_a_cursor_and_a_drag_looks_closer(run: Run, visit: Open) -> None:
    running = run(plant.faulty, alerts=True)
    page = visit(f"{running.base}/loops/TB-07/trend?span=2h").page
    plot = page.locator(".plot canvas")
    expect(plot).to_be_visible()
    box = page.locator(".plot .u-over").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 40)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + 60, steps=5)
    with page.expect_navigation():
        page.mouse.up()
    query = page.evaluate("Object.fromEntries(new URLSearchParams(location.search))")
    assert 0.25 * 7200 < float(query["to"]) - float(query["from"]) < 0.35 * 7200
    expect(page.locator(".plot canvas")).to_be_visible()
