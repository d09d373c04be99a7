"""The wizard's page and REST against the standing terminal: nodes proposed, registers read once, one look at a time, a lent connection."""

from __future__ import annotations

import asyncio
import html
import re
from pathlib import Path
from typing import Any

import pytest

from collector.clock import ManualClock
from collector.commissioning.init_desk import MOST_SEEN, InitDesk, Seen
from collector.commissioning.lender import Lender
from collector.commissioning.registers import RATE
from collector.commissioning.turn import Turn
from collector.live import EndpointState, EndpointStatus, LiveState
from collector.web.alone import create_alone
from collector.web.app import create_app
from collector.web.init_answers import SiteFileIn, answers_of
from config.cautions import CAUTIONS
from config.errors import TallywireError
from config.load import parse_site
from config.model import ModbusEndpoint, ModbusTag, OpcUaEndpoint, OpcUaTag
from tests.collector.commissioning.plant import StandingPlant
from tests.collector.commissioning.test_survey_page import Clocked, until
from tests.collector.web import plant as web_plant
from tests.collector.web.conftest import Served

NOBODY = "opc.tcp://127.0.0.1:9"
GAUGE = {"step": "gauge", "loop": "0", "name": "TB-07", "high": "420 t/h", "belt_speed": "1.9 m/s"}
TAGS = {
    "step": "tags", "loop": "0", "flow": "input 0 float32", "load": "input 2 float32", "speed": "input 4 float32 CDAB",
    "gauge_output": "input 10 float32",
}  # fmt: skip


def alone(folder: Path) -> Served:
    clock = Clocked()
    app = create_alone(clock, start="/init", folder=folder)
    app.state.guard.port = 8460
    return Served(app, web_plant.live(), web_plant.MemoryDesk(), web_plant.MemoryStore(), clock)


def addresses(plant: StandingPlant) -> tuple[str, str]:
    gauge, plc = plant.site.endpoints["gauge-TB-07"], plant.site.endpoints["plc"]
    assert isinstance(gauge, ModbusEndpoint)
    assert isinstance(plc, OpcUaEndpoint)
    return f"127.0.0.1:{gauge.port}", plc.url


async def begun(made: Served, host: str, url: str, plc: str = "500 t/h") -> str:
    """A draft with everything but its tags."""
    place = str((await made.post("/init", data=made.form())).headers["location"])
    for step in (
        {"step": "site", "site": "north"}, {"step": "devices", "protocol": "modbus", "name": "gauge", "host": host, "port": "502"},
        {"step": "devices", "protocol": "opcua", "name": "plc", "url": url}, GAUGE, {"step": "plc", "loop": "0", "low": "0 t/h", "high": plc},
    ):  # fmt: skip
        answer = await made.post(place, data=made.form(**step))
        assert answer.status_code == 303, answer.text
    return place


async def looked(made: Served, place: str, **fields: str) -> str:
    """Press a button, wait for the end of the look, and give the page."""
    answer = await made.post(place, data=made.form(**TAGS, **fields))
    assert answer.status_code == 303, answer.text
    tags = str(answer.headers["location"])
    running = html.unescape((await made.get(tags)).text)
    assert 'http-equiv="refresh"' in running
    assert f"At most {RATE:g} requests a second" in running
    await ended(made)
    return html.unescape((await made.get(tags)).text)


async def ended(made: Served) -> dict[str, Any]:
    async with asyncio.timeout(60.0):
        while True:
            told: dict[str, Any] = (await made.get("/api/v1/site-file/look")).json()
            if told["step"] != "running":
                return told
            await asyncio.sleep(0.02)


def value_of(page: str, role: str) -> str:
    found = re.search(rf'<input name="{role}" value="([^"]*)"', page)
    assert found is not None, role
    return found[1]


async def test_a_page_looks_and_reads_and_makes_a_file_without_a_script(plant: StandingPlant, tmp_path: Path) -> None:
    made = alone(tmp_path)
    place = await begun(made, *addresses(plant))
    page = await looked(made, place, do="look-PLC")
    flow = "nsu=urn:invented:potash-terminal:plc;s=TB-07/Flow"
    assert value_of(page, "plc_flow") == flow
    assert (
        f"proposed: TB-07/Flow shows {float(format(plant.value('TB-07', 'plc_flow'), '.6g')):g} t/h, by name, unit t/h" in page
    )
    assert "the server says 0 t/h to 420 t/h, you answered 0 t/h to 500 t/h" in page
    assert value_of(page, "plc_range_high") == f"{flow}, property: EURange.high, period: 60 s"
    filled = {
        role: value_of(page, role) for role in re.findall(r'<input name="([a-z_]+)" value="[^"]', page) if role in ROLES_SHOWN
    }
    kept = await made.post(place, data=made.form(**filled, **TAGS, **{"ends-PLC": "0 t/h to 420 t/h"}))
    assert kept.headers["location"].endswith("step=loops")
    page = await looked(made, place, **filled, do="read")
    assert "you typed input 4 float32 CDAB, which cannot be right" in page
    assert value_of(page, "speed") == "input 4 float32 ABCD"
    assert "1 of 14 values cannot be right" in page
    assert CAUTIONS[0] in page
    await made.post(place, data=made.form(**(filled | TAGS | {"speed": value_of(page, "speed")})))
    site = parse_site((await made.get(f"{place}/site.yaml")).text, "site.yaml").site
    loop = site.loops["TB-07"]
    speed = loop.tags["speed"]
    assert isinstance(speed, ModbusTag)
    assert (speed.order.value, loop.plc.range.high, loop.gauge.fixed_speed) == ("ABCD", 420.0, 1.9)
    assert {"plc_flow", "plc_unit", "ai_raw", "feed_running"} <= {
        role for role, tag in loop.tags.items() if isinstance(tag, OpcUaTag)
    }


ROLES_SHOWN = {"plc_flow", "ai_raw", "loop_current", "plc_range_low", "plc_range_high", "plc_unit", "plc_total", "drive_running", "drive_speed", "feed_running"}  # fmt: skip


async def test_a_server_that_is_not_there_is_told_and_what_was_typed_stays(plant: StandingPlant, tmp_path: Path) -> None:
    made = alone(tmp_path)
    place = await begun(made, addresses(plant)[0], NOBODY)
    page = await looked(made, place, do="look-PLC")
    assert page.count("plc cannot be browsed") == 1
    assert "Type the tags by hand" in page
    assert value_of(page, "speed") == TAGS["speed"]


async def test_one_look_at_a_time_also_beside_a_survey_and_it_can_be_stopped(plant: StandingPlant, tmp_path: Path) -> None:
    own = Clocked()
    live = LiveState(site=plant.site, site_sha256=web_plant.SHA)
    app = create_app(live, web_plant.MemoryStore(), web_plant.MemoryDesk(), own, port=8460, folder=tmp_path)
    made = Served(app, live, web_plant.MemoryDesk(), web_plant.MemoryStore(), own)
    place = await begun(made, *addresses(plant))
    first = await made.post(place, data=made.form(**TAGS, do="look-PLC"))
    assert first.status_code == 303
    second = await made.post(place, data=made.form(**TAGS, do="read"))
    assert second.status_code == 422
    assert "a look at plc is on its way" in second.text
    survey = await made.post("/api/v1/survey", json={"by": "R. Ortega", "borrow": False})
    assert (survey.status_code, "a look at plc is on its way" in survey.text) == (422, True)
    await made.post(place, data=made.form(step="tags", loop="0", do="stop"))
    assert (await ended(made))["step"] == "stopped"
    assert "The look was stopped" in (await made.get(f"{place}?step=tags&loop=0")).text
    assert (await made.post("/api/v1/survey", json={"by": "R. Ortega", "borrow": False})).status_code == 202
    refused = await made.post("/api/v1/site-file/look", json=body(plant, whose="PLC"))
    assert "a survey by R. Ortega is on its way" in refused.json()["detail"]
    await made.post("/api/v1/survey/stop", json={})


def body(plant: StandingPlant, **more: str) -> dict[str, object]:
    host, url = addresses(plant)
    return {
        "site": {"site": "north"},
        "devices": {"gauge": {"protocol": "modbus", "host": host}, "plc": {"protocol": "opcua", "url": url}},
        "loops": [{"name": "TB-07", "gauge": {"high": "420 t/h"}, "plc": {"high": "500 t/h"}, "tags": {"flow": "input 0 float32",
                   "gauge_output": "input 10 float32"}}],
        **more,
    }  # fmt: skip


async def test_a_program_gets_the_same(plant: StandingPlant, tmp_path: Path) -> None:
    made = alone(tmp_path)
    assert (await made.get("/api/v1/site-file/look")).json()["step"] == "none"
    assert (await made.post("/api/v1/site-file/look", json=body(plant, whose="PLC"))).status_code == 202
    told = await ended(made)
    assert (told["step"], told["problem"], told["variables"]) == ("done", "", 41)
    offered = {item["role"]: item["tag"] for item in told["proposals"]}
    assert offered["ai_raw"].endswith(";s=TB-07/RawInput")
    assert told["ranges"] == [{"whose": "PLC", "low": "0 t/h", "high": "420 t/h", "answered": "0 t/h to 500 t/h"}]
    assert told["flow_t_h"] == pytest.approx(plant.value("TB-07", "flow"), rel=1e-3)
    assert (await made.post("/api/v1/site-file/look", json=body(plant))).status_code == 202
    read = await ended(made)
    assert [item["role"] for item in read["read"]] == ["flow", "gauge_output"]
    assert [item["odd"] for item in read["read"]] == ["", ""]
    for changed, says in (({"loop": "TB-99"}, "no loop 'TB-99'"), ({"whose": "gauge"}, "gauge speaks Modbus")):
        answer = await made.post("/api/v1/site-file/look", json=body(plant) | changed)
        assert (answer.status_code, says in answer.json()["detail"]) == (422, True)


async def test_a_device_that_serves_the_service_alone_is_lent_for_the_time(plant: StandingPlant) -> None:
    endpoints = {name: item.model_copy(update={"one_client": name == "plc"}) for name, item in plant.site.endpoints.items()}
    live = LiveState(site=plant.site.model_copy(update={"endpoints": endpoints}), site_sha256=web_plant.SHA)
    clock = Clocked()
    for name in endpoints:
        live.endpoints[name] = EndpointStatus(name=name, protocol="opcua", state=EndpointState.BACKOFF)
    found = answers_of(SiteFileIn.model_validate(body(plant)))
    desk = InitDesk(clock, Turn(), Lender(live, clock))
    desk.begin("", found, found.loops[0], "PLC")
    await until(lambda: live.endpoints["plc"].lent_until > clock.now())
    assert live.endpoints["plc"].lent_to == "the wizard of a site file"
    assert live.endpoints["gauge-TB-07"].lent_until == 0.0
    await until(lambda: desk.now.step != "running")
    assert live.endpoints["plc"].lent_until == 0.0


async def test_what_cannot_be_looked_at_is_refused_at_once(plant: StandingPlant) -> None:
    found = answers_of(SiteFileIn.model_validate(body(plant)))
    desk = InitDesk(ManualClock(0.0), Turn())
    bare = found.loops[0]
    bare.tags = {}
    with pytest.raises(TallywireError, match="nothing is typed yet"):
        desk.begin("", found, bare, "")
    assert desk.seen("", "TB-07") == Seen()
    assert MOST_SEEN > 1
