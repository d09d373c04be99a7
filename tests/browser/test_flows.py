"""What people come for, from the first page to the end of it, in a browser, over a terminal with a past."""

from __future__ import annotations

import re

import numpy as np
import pytest
from playwright.sync_api import Page, expect

from checks.evaluation import Evaluation
from checks.result import Verdict
from collector.history.store import Trend
from collector.live import LiveState
from tests.browser.conftest import Open, Past, Run
from tests.collector.web import plant

pytestmark = pytest.mark.browser


def tab_to(page: Page, name: str, role: str = "link", most: int = 80) -> None:
    """Walk by the keyboard to a link, a button or a field of this name."""
    wanted = page.get_by_role(role, name=name).first  # type: ignore[arg-type]
    for _ in range(most):
        page.keyboard.press("Tab")
        if wanted.evaluate("(item) => item === document.activeElement"):
            return
    raise AssertionError(f"Tab does not reach {name!r}")


def test_worst_loop_reason_acknowledge_shelve_by_the_keyboard_alone(past: Past, visit: Open) -> None:
    page = visit(past.base).page
    expect(page.locator(".step .lead")).to_contain_text("Begin with TB-07")
    expect(page.locator(".loop").first).to_contain_text("TB-07")
    expect(page.locator(".loop").first).to_contain_text("since")
    tab_to(page, "Open TB-07")
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_contain_text("TB-07")
    finding = page.locator(".finding").first
    for part in ("since", "Check first", "most likely cause", "Before anybody goes to the gauge"):
        expect(finding).to_contain_text(part)
    broken = page.locator(".ladder tr.fault").first
    expect(broken.locator("td").nth(0)).to_have_text(re.compile(r"\d\s+t/h"))
    expect(broken.locator("td").nth(1)).to_have_text(re.compile(r"\d\s+t/h"))
    tab_to(page, "Alert: upper range differs, stands, not acknowledged")
    page.keyboard.press("Enter")
    expect(page.locator("article.alert:target")).to_contain_text("TB-07")
    tab_to(page, "Your name", "textbox")
    page.keyboard.type("R. Sandhu")
    page.keyboard.press("Enter")
    expect(page.get_by_text("Acknowledged by R. Sandhu").first).to_be_visible()
    page.locator("summary", has_text="Shelve").first.focus()
    page.keyboard.press("Enter")
    for text in ("R. Sandhu", "range change under way", ""):
        page.keyboard.press("Tab")
        page.keyboard.type(text)
    page.keyboard.press("Enter")
    expect(page.get_by_text(re.compile("Shelved by R. Sandhu until .*: range change under way")).first).to_be_visible()
    assert past.populated.desk.standing()[0].shelve_reason == "range change under way"
    past.populated.desk.unshelve(past.populated.desk.standing()[0].id, by="test", now=past.populated.clock.now())


class Yearly(plant.MemoryStore):
    """A trend in as many points as are asked for, over any time."""

    def trend(self, loop: str, role: str, begin: int, end: int, max_points: int = 2000) -> Trend:
        step = max(1, (end - begin) // max_points)
        times = np.arange(begin, end, step, dtype=np.int64)[:max_points]
        mean = 200.0 + 60.0 * np.sin(times / 2e5)
        return Trend(loop=loop, role=role, unit="t/h", step_s=step, time_s=times, minimum=mean - 9, mean=mean, maximum=mean + 9)


def test_year_trend_opens_and_is_zoomed_by_drag_and_by_link(run: Run, visit: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plant, "MemoryStore", Yearly)
    seen = visit(f"{run(plant.faulty).base}/loops/TB-07/trend?span=1y")
    page = seen.page
    expect(page.locator(".plot canvas")).to_be_visible()
    expect(page.get_by_role("link", name="1 year")).to_have_attribute("aria-current", "true")

    def shown() -> tuple[float, float]:
        figure = page.locator("[data-panel]").first
        return float(figure.get_attribute("data-begin") or 0), float(figure.get_attribute("data-end") or 0)

    begin, end = shown()
    assert end - begin == 366 * 86400
    box = page.locator(".plot .u-over").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 0.9 * box["width"], box["y"] + 30)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] - 2, box["y"] + 50, steps=4)
    with page.expect_navigation():
        page.mouse.up()
    begin, end = shown()
    assert 0.05 < (end - begin) / (366 * 86400) < 0.15
    with page.expect_navigation():
        page.get_by_role("link", name="wider").click()
    wide = shown()
    assert (wide[1] - wide[0]) / (end - begin) == pytest.approx(2.0, rel=0.01)
    with page.expect_navigation():
        page.get_by_role("link", name="closer").click()
    assert shown()[1] - shown()[0] == pytest.approx(end - begin, rel=0.01)
    assert seen.errors == []


def test_times_of_the_trend_form_are_local(past: Past, visit: Open) -> None:
    page = visit(f"{past.base}/loops/TB-07/trend?span=2h").page
    now = int(past.populated.clock.now())
    field = page.get_by_label("to", exact=True)
    assert field.input_value() == "2027-01-16T12:00:02"
    page.get_by_label("from", exact=True).fill("2027-01-16T11:30:00")
    page.get_by_role("button", name="Draw").click()
    expect(page.locator("h1")).to_contain_text("TB-07 over time")
    assert page.locator("[data-panel]").first.get_attribute("data-begin") == str(now - 2 - 1800)


def test_record_is_found_and_goes_on_paper_without_the_ways_of_the_screen(past: Past, visit: Open) -> None:
    page = visit(f"{past.base}/records").page
    page.locator("a[href='/records/1']").first.click()
    expect(page.locator("h1")).to_contain_text("TB-07")
    expect(page.get_by_role("link", name="PDF to print and sign")).to_be_visible()
    page.emulate_media(media="print")
    assert not page.locator("nav").first.is_visible()
    expect(page.get_by_text("Signatures")).to_be_visible()
    assert len(page.pdf(format="A4")) > 10_000


def test_broken_stream_is_told_and_the_page_asks_instead(run: Run, visit: Open) -> None:
    running = run(plant.healthy)
    page = visit("about:blank").page
    page.clock.install()
    page.route("**/events**", lambda route: route.abort())
    page.goto(running.base)
    state = page.locator("#link-state")
    expect(state).to_contain_text("The live connection is broken; this page asks every 10 s instead.")
    running.call(lambda: running.live.take_evaluation(plant.evaluation("TB-09", Verdict.FAULT, int(running.now))))
    with page.expect_response("**/fragment?**"):
        page.clock.run_for(11_000)
    expect(page.locator(".loop").first).to_contain_text("TB-09")
    page.route("**/fragment**", lambda route: route.abort())
    page.clock.run_for(11_000)
    expect(state).to_contain_text(
        re.compile(r"No answer from Tallywire since \d\d:\d\d:\d\d (CST|GMT-6)\. What stands here is old\.")
    )


def fleet(now: float) -> LiveState:
    """Five hundred loops, all agreeing."""
    state = plant.healthy(now)
    loop = state.site.loops["TB-07"]
    names = [f"TB-{number:03d}" for number in range(500)]
    state.site = state.site.model_copy(update={"loops": dict.fromkeys(names, loop)})
    state.evaluations.clear()
    for name in names:
        state.take_evaluation(evaluated(name, Verdict.OK, now))
    return state


def evaluated(loop: str, verdict: Verdict, time_s: float) -> Evaluation:
    """An evaluation of a loop at a moment."""
    return plant.evaluation(loop, verdict, int(time_s))


def test_page_of_many_loops_follows_those_in_view_and_news_of_the_order(run: Run, visit: Open) -> None:
    running = run(fleet)
    page = visit(running.base).page
    assert page.locator(".loop").count() == 25
    page.evaluate("""() => { window.told = []; const live = document.getElementById("live");
        const own = new EventSource(live.dataset.events);
        own.addEventListener("change", (event) => window.told.push(JSON.parse(event.data).evaluated)); }""")

    def soon(count: int) -> None:
        page.wait_for_function(f"window.told.length >= {count}")

    soon(1)
    running.call(lambda: running.live.take_evaluation(evaluated("TB-400", Verdict.OK, running.now)))
    running.call(lambda: running.live.take_evaluation(evaluated("TB-003", Verdict.OK, running.now + 1)))
    soon(2)
    assert page.evaluate("window.told.length") == 2
    assert page.evaluate("Object.keys(window.told[1])") == [f"TB-{number:03d}" for number in range(25)]
    running.call(lambda: running.live.take_evaluation(evaluated("TB-400", Verdict.FAULT, running.now + 2)))
    soon(3)
    expect(page.locator(".loop").first).to_contain_text("TB-400")
    assert "TB-400" in (page.locator("#live").get_attribute("data-events") or "")


def test_starting_and_empty_places_say_what_comes(run: Run, visit: Open) -> None:
    running = run(plant.live)
    page = visit(running.base).page
    expect(page.locator(".step")).to_contain_text("The first verdict needs 12 s of data")
    expect(page.locator(".loop").first).to_contain_text("starting")
    for path, said in (
        ("/alerts", "No alert stands."), ("/loops/TB-07", "No evaluation yet"), ("/loops/TB-07/lines", "Nothing to draw yet"),
        ("/?find=zz", "None of the loops with “zz”"),
    ):  # fmt: skip
        page.goto(running.base + path)
        expect(page.locator("main")).to_contain_text(said)
