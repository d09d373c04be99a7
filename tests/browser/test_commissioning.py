"""The day of commissioning in a browser, as its user goes through it: site file, plan, loop check, calibration, record."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from collector.clock import SystemClock
from collector.reading import GOOD, Reading
from collector.web.alone import create_alone
from config.load import parse_site
from deploy.plant.live import Server
from tests.browser.axe import violations
from tests.browser.conftest import Open
from tests.browser.served import served
from tests.browser.test_accessibility import AT, FOCUSABLE
from tests.collector.web import weighed

pytestmark = pytest.mark.browser

RUN = "from1=2026-03-02T05:59:00&to1=2026-03-02T07:01:00&mass1=255+t&begin1=2026-03-02T06:05:00&end1=2026-03-02T06:55:00"


@pytest.fixture(scope="module")
def plant_of(tmp_path_factory: pytest.TempPathFactory) -> Iterator[weighed.Weighed]:
    """A site with a stored run that can be reckoned by hand."""
    made = weighed.weighed(tmp_path_factory.mktemp("weighed"), entries=weighed.ledger())
    yield made
    assert made.history is not None
    made.history.close()


@pytest.fixture(scope="module")
def terminal(plant_of: weighed.Weighed) -> Iterator[str]:
    """The address of its pages."""
    with served(plant_of.app) as base:
        yield base


@pytest.fixture
def alone(tmp_path: Path) -> Iterator[str]:
    """The pages without a site."""
    with served(create_alone(SystemClock(), start="/init", folder=tmp_path / "drafts")) as base:
        yield base


def step(page: Page, **fields: str) -> None:
    for name, text in fields.items():
        page.locator(f"[name='{name}']").fill(text)
    page.get_by_role("button", name="Keep it and go on").click()


def device(page: Page, protocol: str, **fields: str) -> None:
    form = page.get_by_role("form", name=f"By {protocol}")
    for name, text in fields.items():
        form.locator(f"[name={name}]").fill(text)
    form.get_by_role("button").click()


def test_site_file_from_the_first_question_to_the_download(alone: str, visit: Open) -> None:
    seen = visit(f"{alone}/", width=360)
    page = seen.page
    page.get_by_role("button", name="Begin").click()
    step(page, site="north-terminal", title="North quay")
    device(page, "Modbus", name="gauge-07", host="192.0.2.17")
    device(page, "OPC UA", name="plc", url="opc.tcp://192.0.2.30:4840")
    page.get_by_role("button", name="Go on to the first loop").click()
    step(page, name="TB-07", high="420")
    bad = page.get_by_label(re.compile("sends as 20 mA"))
    expect(bad).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#wrong-high")).to_contain_text("such as 420 t/h")
    assert violations(page) == []
    step(page, high="420 t/h")
    step(page)
    expect(page.locator("[name=flow]")).to_be_visible()
    page.reload()
    step(page, flow="input 0 float32", plc_flow="ns=2;s=TB-07/Flow", ai_raw="ns=2;s=TB-07/Raw")
    page.get_by_role("button", name="Show the file").click()
    expect(page.get_by_role("heading", name="The file is sound")).to_be_visible()
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    with page.expect_download() as waiting:
        page.get_by_role("link", name="Download site.yaml").click()
    text = Path(waiting.value.path()).read_text(encoding="utf-8")
    assert set(parse_site(text, "site.yaml").site.loops["TB-07"].tags) == {"flow", "plc_flow", "ai_raw"}
    # The one refused step is the only thing that the console tells.
    assert [line for line in seen.errors if "422" not in line] == []


@pytest.fixture
def plc() -> Iterator[str]:
    """A PLC with one loop that carries 210 t/h."""
    server = Server("deploy.plant.plc_server")
    try:
        server.tell({"nodes": [{"node": "TB-07/Flow", "type": "Float", "unit": [4534584, "t/h"]}]})
        url = str(server.hear()["url"])
        server.tell(
            {"time": 1_800_000_000, "values": {"TB-07/Flow": 210.0}, "status": {}, "ranges": {"TB-07/Flow": [0.0, 420.0]}}
        )
        yield url
    finally:
        server.stop()


def test_the_nodes_of_a_server_are_filled_in_and_a_gauge_that_is_not_there_is_told(alone: str, visit: Open, plc: str) -> None:
    page = visit(f"{alone}/", width=360).page
    page.get_by_role("button", name="Begin").click()
    step(page, site="north-terminal")
    device(page, "Modbus", name="gauge-07", host="127.0.0.1:9")
    device(page, "OPC UA", name="plc", url=plc)
    page.get_by_role("button", name="Go on to the first loop").click()
    step(page, name="TB-07", high="420 t/h")
    step(page, high="500 t/h")
    page.locator("[name=flow]").fill("input 0 float32")
    page.get_by_role("button", name="Look at what it has for the PLC").click()
    ended(page)
    expect(page.locator("[name=plc_flow]")).to_have_value(re.compile("s=TB-07/Flow"))
    expect(page.locator("#note-plc_flow")).to_contain_text("TB-07/Flow shows 210 t/h")
    expect(page.locator("[name=ends-PLC]")).to_have_value("0 t/h to 420 t/h")
    page.get_by_role("button", name="Read them once").click()
    ended(page)
    expect(page.get_by_label("Read once")).to_contain_text("gauge-07 could not be read")
    assert violations(page) == []
    for width in (360, 1280):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.locator("[name=flow]").press("Enter")
    expect(page.get_by_role("heading", name="New site file: Loops")).to_be_visible()


def ended(page: Page) -> None:
    """Wait until no look runs; the page asks anew by itself."""
    expect(page.get_by_label("The look that runs")).to_have_count(0, timeout=60_000)


def test_from_the_loop_page_over_plan_loop_check_and_calibration_to_the_records(
    plant_of: weighed.Weighed, terminal: str, visit: Open
) -> None:
    seen = visit(f"{terminal}/loops/TB-07")
    page = seen.page
    page.get_by_role("link", name="how long to tare and what to expect").click()
    expect(page.get_by_role("heading", name="2. Tare on the running, clean, empty belt")).to_be_visible()
    page.get_by_role("link", name="Do it point by point, into a record").click()
    page.get_by_label("your name").fill("R. Ortega")
    page.get_by_label("points, % of span").fill("0,100")
    page.get_by_role("button", name="Begin").click()
    for percent in (0.0, 100.0, 0.0):
        show(plant_of, percent)
        page.get_by_role("button", name="Capture", exact=True).click()
        page.wait_for_load_state()
    expect(page.get_by_role("heading", name="As found: agrees")).to_be_visible()
    page.get_by_role("button", name="Finish: nothing was adjusted").click()
    expect(page.get_by_role("heading", name=re.compile("Loop check"))).to_be_visible()
    page.goto(f"{terminal}/loops/TB-07/plan")
    page.get_by_role("link", name="Evaluate it afterwards, from the stored flow").click()
    page.get_by_role("link", name=re.compile("05:5.* to .*07:0")).click()
    expect(page.locator("#words-1")).to_contain_text("Type its known mass")
    page.locator("#runs [name=mass1]").fill("255 t")
    page.get_by_role("button", name="Compute").click()
    expect(page.locator("#outcome .lead")).to_contain_text("kg/m")
    page.get_by_label("your name").fill("R. Ortega")
    page.get_by_role("button", name="Make the record").click()
    expect(page.get_by_role("heading", name=re.compile("Calibration by known mass"))).to_be_visible()
    expect(page.locator("body")).to_contain_text("Nothing was changed in the gauge")
    page.get_by_role("link", name="All records").click()
    for kind in ("loop check", "calibration"):
        expect(page.get_by_role("link", name=kind).first).to_be_visible()
    assert seen.errors == []


def show(plant_of: weighed.Weighed, percent: float) -> None:
    """What the stations show at a point of the loop check."""
    loop = plant_of.live.site.loops["TB-07"]
    raw, high = loop.plc.raw_span, loop.plc.range.high
    shown = {"ai_raw": raw.low + percent / 100.0 * (raw.high - raw.low), "plc_flow": percent / 100.0 * high}
    for role, value in shown.items():
        reading = Reading(loop="TB-07", role=role, value=value, quality=GOOD, receive_time=weighed.NOW)
        plant_of.live.readings["TB-07", role] = reading


def test_window_is_moved_by_keyboard_and_the_factor_follows(terminal: str, visit: Open) -> None:
    """06:05 to 06:55 at 300 t/h are 250 t; each minute less is 5 t: 255 / 245 * 153.85 = 160.130 kg/m."""
    seen = visit(f"{terminal}/loops/TB-07/calibration?{RUN}")
    page = seen.page
    begin = page.get_by_role("slider", name="Begin of the window of run 1")
    expect(begin).to_have_attribute("aria-valuetext", "06:05:00")
    expect(page.locator("#outcome .lead")).to_contain_text("156.927")
    begin.focus()
    begin.press("Shift+ArrowRight")
    expect(begin).to_have_attribute("aria-valuetext", "06:06:00")
    expect(page.locator("#outcome .lead")).to_contain_text("160.13")
    expect(page.locator("#runs [name=begin1]")).to_have_value("2026-03-02T06:06")
    page.reload()
    expect(page.locator("#outcome .lead")).to_contain_text("160.13")
    end = page.get_by_role("slider", name="End of the window of run 1")
    end.press("Home")
    expect(end).to_have_attribute("aria-valuetext", "06:07:00")
    assert violations(page) == []
    assert seen.errors == []


def test_tab_reaches_the_edges_of_the_window_between_picture_and_fields(terminal: str, visit: Open) -> None:
    page = visit(f"{terminal}/loops/TB-07/calibration?{RUN}").page
    expect(page.get_by_role("slider").first).to_be_visible()
    wanted, seen = page.evaluate(FOCUSABLE), []
    for _ in range(wanted + 40):
        page.keyboard.press("Tab")
        at = page.evaluate(AT)
        if at is None:
            break
        seen.append(at)
    assert [item["name"] for item in seen if item["outline"] < 2 or not item["shown"]] == []
    places = [item["place"] for item in seen]
    assert places == sorted(places)
    assert sum('role="slider"' in item["name"] for item in seen) == 2


def test_window_is_dragged_by_mouse_and_never_leaves_the_run(terminal: str, visit: Open) -> None:
    page = visit(f"{terminal}/loops/TB-07/calibration?{RUN}").page
    end = page.get_by_role("slider", name="End of the window of run 1")
    end.scroll_into_view_if_needed()
    box = end.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + 40
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 100, y, steps=4)
    page.mouse.up()
    expect(page.locator("#words-1")).to_contain_text("as you moved it")
    expect(page.locator("#runs [name=end1]")).not_to_have_value("2026-03-02T06:55")
    expect(page.locator("#outcome .lead")).not_to_contain_text("156.927")
    page.mouse.move(x - 100, y)
    page.mouse.down()
    page.mouse.move(x + 2000, y, steps=4)
    page.mouse.up()
    expect(page.locator("#runs [name=end1]")).to_have_value("2026-03-02T07:01")


def test_run_is_chosen_by_a_finger_across_the_day(terminal: str, visit: Open) -> None:
    page = visit(f"{terminal}/loops/TB-07/calibration", width=360).page
    over = page.locator("#overview .u-over")
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    assert box is not None
    # The picture is of the 24 hours before 08:00; the lot lies between 06:00 and 07:00.
    first, last = (box["x"] + box["width"] * (hour + 16) / 24 for hour in (5.7, 7.3))
    session = page.context.new_cdp_session(page)
    y = box["y"] + box["height"] / 2
    for kind, x in (("touchStart", first), ("touchMove", (first + last) / 2), ("touchMove", last)):
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
    session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    expect(page.locator("#words-1")).to_contain_text("t by the gauge")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


def test_without_script_the_fields_do_the_same(terminal: str, visit: Open) -> None:
    page = visit(f"{terminal}/loops/TB-07/calibration?{RUN}", script=False).page
    expect(page.locator("#outcome .lead")).to_contain_text("156.927")
    page.locator("#runs [name=begin1]").fill("2026-03-02T06:06:00")
    page.get_by_role("button", name="Compute").click()
    expect(page.locator("#outcome .lead")).to_contain_text("160.13")
    assert page.locator(".left-out").count() == 2


@pytest.mark.parametrize(("width", "dark"), [(1280, False), (360, True)])
def test_calibration_with_a_run_and_a_ledger_breaks_no_rule(terminal: str, visit: Open, width: int, dark: bool) -> None:
    seen = visit(f"{terminal}/loops/TB-07/calibration?{RUN}", width=width, dark=dark)
    assert violations(seen.page) == []
    assert seen.page.evaluate("document.documentElement.scrollWidth") <= width


def test_plan_on_paper_has_room_for_a_pen_and_keeps_the_cautions(terminal: str, visit: Open) -> None:
    page = visit(f"{terminal}/loops/TB-07/plan").page
    assert not page.locator(".pen").first.is_visible()
    page.emulate_media(media="print")
    expect(page.locator("p.pen").first).to_be_visible()
    expect(page.locator("td.pen").first).to_be_visible()
    expect(page.locator(".cautions").first).to_be_visible()
    assert not page.locator("nav").first.is_visible()
