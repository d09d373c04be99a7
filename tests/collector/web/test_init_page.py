"""A first site file on a page and over REST: every step, what is wrong in it, what survives, and the file at the end."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest
from fastapi import FastAPI

from collector.clock import ManualClock
from collector.commissioning.drafts import MOST, Drafts
from collector.web.alone import create_alone
from config.load import parse_site
from config.model import ModbusTag, OpcUaTag
from tests.collector.web import plant
from tests.collector.web.conftest import Serve, Served

SITE = {"step": "site", "site": "north-terminal", "title": "Potash: export 'quay'", "time_zone": "Atlantic/Reykjavik"}
GAUGE_07 = {"step": "devices", "protocol": "modbus", "name": "gauge-07", "host": "192.0.2.17"}
PLC_DEVICE = {"step": "devices", "protocol": "opcua", "name": "plc", "url": "opc.tcp://192.0.2.30:4840"}
GAUGE = {"step": "gauge", "loop": "0", "name": "TB-07", "high": "420 t/h", "damping": "8 s"}
PLC = {"step": "plc", "loop": "0"}
TAGS = {
    "step": "tags",
    "loop": "0",
    "flow": "input 0 float32",
    "speed": "input 4 float32 CDAB",
    "plc_flow": "ns=2;s=TB-07/Mass flow [t/h]",
}
STEPS = (SITE, GAUGE_07, PLC_DEVICE, GAUGE, PLC, TAGS)
LOOP: dict[str, object] = {
    "name": "TB-07", "gauge": {"high": "420 t/h"}, "plc": {},
    "tags": {"flow": "input 0 float32", "plc_flow": "ns=2;s=TB-07/Flow"},
}  # fmt: skip
REST: dict[str, object] = {
    "site": {"site": "north-terminal"},
    "devices": {
        "gauge-07": {"protocol": "modbus", "host": "192.0.2.17"}, "plc": {"protocol": "opcua", "url": "opc.tcp://192.0.2.30:4840"},
    },
    "loops": [LOOP],
}  # fmt: skip


def alone(folder: Path) -> Served:
    app: FastAPI = create_alone(ManualClock(plant.NOW), start="/init", folder=folder)
    app.state.guard.port = 8460
    return Served(app, plant.live(), plant.MemoryDesk(), plant.MemoryStore(), ManualClock(plant.NOW))


@pytest.fixture
def served(tmp_path: Path) -> Served:
    return alone(tmp_path)


async def begun(served: Served) -> str:
    answer = await served.post("/init", data=served.form())
    assert answer.status_code == 303
    return str(answer.headers["location"])


async def taken(served: Served, place: str, fields: dict[str, str], status: int = 303) -> str:
    answer = await served.post(place, data=served.form(**fields))
    assert answer.status_code == status, answer.text
    return answer.text if status != 303 else str(answer.headers["location"])


async def test_steps_lead_to_a_sound_commented_file(served: Served) -> None:
    place = await begun(served)
    onward = [await taken(served, place, step) for step in STEPS]
    assert [item.partition("?")[2] for item in onward] == [
        "step=devices", "step=devices", "step=devices", "step=plc&loop=0", "step=tags&loop=0", "step=loops",
    ]  # fmt: skip
    result = (await served.get(f"{place}?step=result")).text
    assert "The file is sound" in result
    assert "verifies" in result
    file = await served.get(f"{place}/site.yaml")
    assert file.headers["content-disposition"] == 'attachment; filename="site.yaml"'
    site = parse_site(file.text, "site.yaml").site
    loop = site.loops["TB-07"]
    assert (site.title, site.time_zone, loop.gauge.damping) == ("Potash: export 'quay'", "Atlantic/Reykjavik", 8.0)
    assert loop.plc.range.high == 420.0
    speed, flow = loop.tags["speed"], loop.tags["plc_flow"]
    assert isinstance(speed, ModbusTag)
    assert isinstance(flow, OpcUaTag)
    assert (speed.endpoint, speed.address, speed.order.value, flow.node) == (
        "gauge-07",
        4,
        "CDAB",
        "ns=2;s=TB-07/Mass flow [t/h]",
    )
    assert "# at 4 mA and at 20 mA" in file.text


async def test_answers_survive_a_reload_and_a_restart(served: Served, tmp_path: Path) -> None:
    place = await begun(served)
    for step in (SITE, GAUGE_07, GAUGE):
        await taken(served, place, step)
    again = alone(tmp_path)
    page = (await again.get(f"{place}?step=gauge&loop=0")).text
    assert 'name="damping" value="8 s"' in page
    assert html.escape("Potash: export 'quay'", quote=False) in html.unescape((await again.get("/init")).text)


@pytest.mark.parametrize(
    ("before", "fields", "says"),
    [
        ((), {**SITE, "site": "north terminal"}, "'north terminal' is no name of letters"),
        ((), {**SITE, "site": ""}, "this is needed"),
        ((), {**SITE, "time_zone": "Mars/Base"}, "is no time zone"),
        ((), {**SITE, "title": "a\x00b"}, "too long for one line"),
        ((SITE,), {**GAUGE_07, "host": ""}, "this is needed"),
        ((SITE,), {**GAUGE_07, "port": "70000"}, "is no port"),
        ((SITE,), {**GAUGE_07, "host": "192.0.2.17:1502", "port": "503"}, "the host says port 1502, the port says 503"),
        ((SITE,), {**GAUGE_07, "host": "192.0.2.17:x"}, "'x' is no port"),
        ((SITE,), {**GAUGE_07, "host": "a b"}, "is no host"),
        ((SITE,), {**GAUGE_07, "protocol": "serial"}, "is no protocol"),
        ((SITE,), {**PLC_DEVICE, "url": "http://plc"}, "is no address of OPC UA"),
        ((SITE, GAUGE_07), GAUGE_07, "gauge-07 is there already"),
        ((SITE,), {"step": "devices", "do": "on"}, "no device is there yet"),
        ((SITE, GAUGE_07), {**GAUGE, "high": "420"}, "the bare number 420 has no unit"),
        ((SITE, GAUGE_07), {**GAUGE, "empty_belt_rate": "5200 1/s"}, "belong together"),
        ((SITE, GAUGE_07), {**GAUGE, "activity_date": "2024-02-20"}, "belong together"),
        ((SITE, GAUGE_07), {**GAUGE, "belt_speed": "2.2"}, "the bare number 2.2 has no unit"),
        ((SITE, GAUGE_07), {**GAUGE, "nuclide": "Xx-1"}, "Xx-1"),
        ((SITE, GAUGE_07, GAUGE), {**GAUGE, "loop": "1"}, "TB-07 is there already"),
        ((SITE, GAUGE_07, GAUGE), {**PLC, "raw_high": "many"}, "is no number"),
        ((SITE, GAUGE_07, GAUGE, PLC), {**TAGS, "flow": ""}, "the flow is needed"),
        ((SITE, GAUGE_07, GAUGE, PLC), {**TAGS, "speed": "somewhere"}, "cannot be read as a register of gauge-07"),
        ((SITE, GAUGE_07, GAUGE, PLC), {**TAGS, "speed": "input 4, scale: much"}, "'much' cannot be the scale"),
        ((SITE, GAUGE_07, GAUGE, PLC), {**TAGS, "speed": "input 4, measured_in: kg"}, "'kg' is a mass, but"),
        ((SITE, GAUGE_07, GAUGE, PLC), {**TAGS, "device-PLC": "gone"}, "this device is not there"),
    ],
)  # fmt: skip
async def test_answer_that_cannot_be_is_told_in_its_place_and_nothing_of_the_step_is_kept(
    served: Served, before: tuple[dict[str, str], ...], fields: dict[str, str], says: str
) -> None:
    place = await begun(served)
    for step in before:
        await taken(served, place, step)
    kept = (await served.get(f"{place}/site.yaml")).text
    page = html.unescape(await taken(served, place, fields, 422))
    assert says in page
    assert "Nothing of this step is kept" in page
    assert (await served.get(f"{place}/site.yaml")).text == kept


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({**TAGS, "plc_flow": "", "do": "look-gauge"}, "gauge-07 speaks Modbus, which has no list of what it has"),
        ({"step": "tags", "loop": "0", "do": "read"}, "nothing is typed yet that could be read"),
    ],
)
async def test_look_that_cannot_be_is_told_and_what_is_typed_is_kept(served: Served, fields: dict[str, str], says: str) -> None:
    place = await begun(served)
    for step in (SITE, GAUGE_07, GAUGE, PLC):
        await taken(served, place, step)
    page = html.unescape(await taken(served, place, fields, 422))
    assert f"{says}: " in page
    assert "What is typed is kept." in page
    assert ("speed: {" in (await served.get(f"{place}/site.yaml")).text) is ("speed" in fields)


async def test_a_host_with_its_port_is_taken_apart(served: Served) -> None:
    place = await begun(served)
    await taken(served, place, SITE)
    await taken(served, place, {**GAUGE_07, "host": "[2001:db8::17]:1502", "port": "502"})
    assert "modbus, [2001:db8::17]:1502, unit 1" in (await served.get(f"{place}?step=devices")).text
    body = {
        **REST,
        "devices": {"gauge-07": {"protocol": "modbus", "host": "192.0.2.17:1502"}},
        "loops": [{**LOOP, "tags": {"flow": "0"}}],
    }
    assert "port: 1502" in (await served.post("/api/v1/site-file", json=body)).json()["text"]


async def test_devices_and_loops_can_be_taken_away(served: Served) -> None:
    place = await begun(served)
    for step in STEPS:
        await taken(served, place, step)
    await taken(served, place, {"step": "devices", "remove": "plc"})
    page = (await served.get(f"{place}?step=result")).text
    assert "TB-07: plc is gone, so plc_flow are left out." in page
    assert "plc_flow: {" not in page
    await taken(served, place, {**PLC_DEVICE, "url": "opc.tcp://192.0.2.31:4840"})
    again = (await served.get(f"{place}?step=result")).text
    assert "is gone" not in again
    assert "plc_flow: {" in again
    await taken(served, place, {"step": "loops", "remove": "TB-07"})
    assert "New site file: Gauge" in (await served.get(f"{place}?step=result")).text


async def test_file_that_is_not_sound_says_what_to_mend(served: Served) -> None:
    place = await begun(served)
    for step in (
        SITE,
        GAUGE_07,
        {**GAUGE, "low": "500 t/h"},
        {**PLC, "low": "0 t/h", "high": "420 t/h"},
        TAGS | {"plc_flow": ""},
    ):
        await taken(served, place, step)
    page = (await served.get(f"{place}?step=result")).text
    assert "to mend before it can be used" in page
    assert f'<a href="{place}?step=gauge&amp;loop=0">loops.TB-07.gauge.range' in page


async def test_steps_that_cannot_be_gone_to_lead_back(served: Served) -> None:
    place = await begun(served)
    for step in ("devices", "gauge", "plc", "tags", "loops", "result", "nonsense"):
        assert "New site file: The site" in (await served.get(f"{place}?step={step}&loop=7")).text
    assert (await served.get("/init/AAAAAAAAAAAAAAAA")).status_code == 404
    assert (await served.post(place, data={**SITE, "token": "old"})).status_code == 403


async def test_rest_makes_the_same_file(served: Served) -> None:
    answer = await served.post("/api/v1/site-file", json=REST)
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert told["sound"]
    assert told["summary"].startswith("ok: site.yaml")
    assert parse_site(told["text"], "site.yaml").site.loops["TB-07"].plc.range.high == 420.0
    asked = (await served.get("/api/v1/site-file/questions")).json()
    assert {"role": "plc_flow", "whose": "PLC", "meaning": "mass flow after the PLC scaling block", "unit": "t/h"} in asked[
        "tags"
    ]
    assert next(item for item in asked["gauge"] if item["key"] == "high")["needed"]


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"site": {}}, "site.site: this is needed"),
        ({"site": {"site": "north", "color": "red"}}, "'color' is not asked for"),
        ({"devices": {"plc": {"protocol": "serial"}}}, "devices.plc.protocol"),
        ({"devices": {"gauge-07": {"protocol": "modbus"}}}, "devices.gauge-07.host: this is needed"),
        ({"devices": {"gauge-07": {"protocol": "modbus", "host": "a:1", "port": "2"}}}, "devices.gauge-07.host: the host says port 1"),
        ({"loops": [{**LOOP, "gauge": {"high": "420 t/h", "activity": "1 GBq"}}]}, "activity_date: this and the answer before"),
        ({"loops": [{**LOOP, "gauge": {"high": "420 t/h", "activity_date": "2024-02-20"}}]}, "activity_date belongs to activity"),
        ({"devices": {}}, "there is no device ''"),
        ({"loops": [{**LOOP, "tags": {"plc_flow": "ns=2;s=A"}}]}, "the flow is needed"),
        ({"loops": [{**LOOP, "tags": {"flow": "here"}}]}, "'here' cannot be read as a register of gauge-07"),
        ({"loops": [{**LOOP, "tags": {"flow": "0", "taste": "1"}}]}, "'taste' is not asked for"),
        ({"loops": [LOOP, LOOP]}, "TB-07 is there already"),
    ],
)  # fmt: skip
async def test_rest_refuses_what_the_page_refuses(served: Served, changed: dict[str, object], says: str) -> None:
    answer = await served.post("/api/v1/site-file", json={**REST, **changed})
    assert answer.status_code == 422
    assert says in answer.json()["detail"]


async def test_page_alone_leads_to_its_start_and_shows_both_pages(served: Served) -> None:
    first = await served.get("/")
    assert (first.status_code, first.headers["location"]) == (303, "/init")
    for path in ("/init", "/verify"):
        page = (await served.get(path)).text
        assert "no site yet" in page
        assert "Not a radiation safety function" in page
    assert (await served.get("/loops/TB-07")).status_code == 404
    assert (await served.get("/init", Host="elsewhere.example")).status_code == 400


async def test_page_is_there_with_a_site_too(serve: Serve) -> None:
    served = serve(plant.healthy())
    place = await begun(served)
    assert "North Quay potash terminal" in (await served.get(place)).text


def test_drafts_are_bounded_and_damaged_ones_are_left_alone(tmp_path: Path) -> None:
    clock = ManualClock(plant.NOW)
    (tmp_path / "site-draft-broken.json").write_text("{", encoding="utf-8")
    drafts = Drafts(clock, tmp_path)
    first = drafts.begin()
    for _ in range(MOST):
        clock.step_wall(1.0)
        drafts.begin()
    assert drafts.find(first.key) is None
    assert len(drafts.all()) == MOST
    assert len(list(tmp_path.glob("site-draft-*.json"))) == MOST + 1
    assert len(Drafts(clock, tmp_path).all()) == MOST


def test_keys_cannot_be_guessed(tmp_path: Path) -> None:
    keys = {Drafts(ManualClock(plant.NOW)).begin().key for _ in range(50)}
    assert len(keys) == 50
    assert all(re.fullmatch(r"[A-Za-z0-9_-]{16}", key) for key in keys)
