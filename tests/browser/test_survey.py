"""The page of the survey with something on it: what cannot be right, the line to change, the cautions; by keyboard and on a phone."""

from __future__ import annotations

import asyncio
import re
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import expect

from collector.clock import SystemClock
from collector.commissioning.survey_desk import Stage, SurveyDesk
from collector.live import LiveState
from collector.web.app import create_app
from config.cautions import CAUTIONS
from config.model import Site
from tests.browser.axe import violations
from tests.browser.conftest import Open
from tests.browser.served import served
from tests.collector.sources.device import Device
from tests.collector.sources.sites import modbus_site
from tests.collector.web import plant

pytestmark = pytest.mark.browser

TAGS = {
    "flow": {"address": 0, "type": "float32"}, "plc_flow": {"address": 2, "type": "float32"}, "load": {"address": 4, "type": "float32"},
    "speed": {"address": 6, "type": "float32", "order": "CDAB"}, "gauge_output": {"address": 8, "type": "float32"},
}  # fmt: skip
SHOWN = {0: 241.7, 2: 241.0, 4: 35.34, 6: 1.9, 8: 11.7344}
"""3.6 x 35.34 kg/m x 1.9 m/s = 241.7 t/h, 4 + 16 x 241.7 / 500 = 11.734 mA: only the order of the speed is declared wrongly."""


class Hasty(SystemClock):
    """Waits for nothing."""

    async def sleep_until(self, deadline: float) -> None:
        await asyncio.sleep(0)


async def surveyed(folder: Path) -> Site:
    async with Device() as device:
        for address, value in SHOWN.items():
            high, low = struct.unpack(">HH", struct.pack(">f", value))
            device.registers |= {address: high, address + 1: low}
        site = modbus_site(device.port, TAGS)
        desk = SurveyDesk(LiveState(site, ""), Hasty(), folder)
        desk.begin(by="R. Ortega", rate=10.0, borrow=False)
        for _ in range(500):
            await asyncio.sleep(0.02)
            if desk.standing.stage is Stage.DONE:
                return site
    raise AssertionError(f"the survey is {desk.standing.stage.value}: {desk.standing.problem}")


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("survey")
    site = asyncio.run(surveyed(folder))
    app = create_app(LiveState(site, plant.SHA), plant.MemoryStore(), plant.MemoryDesk(), SystemClock(), folder=folder)
    with served(app) as address:
        yield address


@pytest.mark.parametrize(("width", "dark"), [(1280, False), (360, True)])
def test_what_cannot_be_right_is_told_with_its_line_and_the_cautions(base: str, visit: Open, width: int, dark: bool) -> None:
    seen = visit(f"{base}/survey", width=width, dark=dark)
    page = seen.page
    assert page.get_by_role("heading", name="TB-07 speed cannot be right").is_visible()
    assert page.get_by_text("speed: {order: ABCD}").is_visible()
    assert page.get_by_text(CAUTIONS[0]).is_visible()
    assert not page.evaluate("document.documentElement.scrollWidth > innerWidth")
    summary = page.get_by_text("Every tag of TB-07")
    summary.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("row", name="gauge_output").or_(page.get_by_text("gauge holding 8")).first).to_be_visible()
    assert not page.evaluate("document.documentElement.scrollWidth > innerWidth")
    assert violations(page) == []
    assert seen.errors == []


def test_a_form_that_cannot_be_taken_says_why_and_keeps_what_was_typed(base: str, visit: Open) -> None:
    page = visit(f"{base}/survey").page
    page.get_by_label("your name").fill("R. Ortega")
    page.get_by_label("requests a second").fill("fast")
    page.get_by_role("button", name="Begin the survey").click()
    expect(page.get_by_role("alert")).to_contain_text(re.compile("^'fast' is no number of requests a second"))
    expect(page.get_by_label("requests a second")).to_have_value("fast")
