"""Survey, locate, scan and browse against servers that nobody here wrote.

The Modbus server in C holds 123.456 as a float in all four orders from register 100; the OPC UA server on node a flow with unit and range.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from checks.commissioning.guess import Known
from checks.commissioning.plausible import Expected
from checks.samples import BAD
from collector.cli.init_devices import OwnConnections
from collector.clock import SystemClock
from collector.commissioning.browsing import browse
from collector.commissioning.locate import locate, narrow, tolerance
from collector.commissioning.registers import SlowReader
from collector.commissioning.scan import Scan
from collector.commissioning.scan_match import matches
from collector.commissioning.site_draft import site_text
from collector.commissioning.survey import survey
from collector.commissioning.wizard import interview
from collector.sources.guard import READ_SERVICES
from config.load import parse_site
from config.model import ByteOrder, FlowRange, Gauge, ModbusEndpoint, Plc, RawSpan, WireType
from tests.collector.commissioning.answering import Answering
from tests.collector.sources.sites import modbus_site, opcua_site
from tests.collector.sources.wire import TimedProxy, opcua_requests
from tests.peers.peer import Peer, libmodbus, node

pytestmark = pytest.mark.peers


@pytest.fixture(scope="module")
def c_server() -> Iterator[Peer]:
    with libmodbus() as peer:
        yield peer


async def test_value_is_located_in_each_order_on_a_server_in_c(c_server: Peer) -> None:
    reader = SlowReader(
        "peer", ModbusEndpoint(protocol="modbus", host="127.0.0.1", port=c_server.port), SystemClock(), rate=50.0
    )
    try:
        words = {"holding": await reader.read_where_it_can("holding", 1, 90, 30)}
    finally:
        reader.close()
    spots = narrow(locate(words, 123.456, tolerance(123.456, "123.456")), words, 123.456, 0.001)
    found = {(spot.address, spot.order) for spot in spots if spot.type.value == "float32"}
    assert {(100, ByteOrder.ABCD), (102, ByteOrder.CDAB), (104, ByteOrder.BADC), (106, ByteOrder.DCBA)} <= found


async def test_survey_shows_every_order_of_what_another_server_holds(c_server: Peer) -> None:
    site = modbus_site(c_server.port, {"flow": {"address": 100, "type": "float32", "order": "CDAB"}}, timeout=2.0)
    found = await survey(site, SystemClock(), rate=50.0, wait_s=0.0)
    (item,) = found.tags
    assert item.orders()["ABCD"] == pytest.approx(123.456, rel=1e-6)
    assert {100, 101} <= set(item.registers)


@pytest.mark.parametrize(
    ("planted", "line"),
    [
        ({"address": 102, "order": "ABCD"}, "order: CDAB"), ({"address": 101, "order": "ABCD"}, "address: 100"),
        ({"address": 100, "order": "BADC"}, "order: ABCD"), ({"address": 100, "measured_in": "kg/s"}, "measured_in: t/h"),
    ],
)  # fmt: skip
async def test_survey_finds_what_is_planted_in_the_site_file_of_a_server_in_c(
    c_server: Peer, planted: dict[str, Any], line: str
) -> None:
    """Its register 0 holds 1000; a span of raw counts in which that is 123.456 t/h of 500 makes an input card of it."""
    tags = {
        "flow": {"type": "float32", **planted}, "plc_flow": {"address": 106, "type": "float32", "order": "DCBA"},
        "ai_raw": {"address": 0, "type": "uint16"},
    }  # fmt: skip
    site = modbus_site(c_server.port, tags, timeout=2.0)
    loop = site.loops["TB-07"]
    card = loop.plc.model_copy(update={"raw_span": RawSpan(low=0.0, high=1000.0 * 500.0 / 123.456)})
    site = site.model_copy(update={"loops": {"TB-07": loop.model_copy(update={"plc": card})}})
    found = await survey(site, SystemClock(), rate=50.0, wait_s=0.0)
    (item,) = found.odd
    assert item.role == "flow"
    assert item.suggestions[0].words() == line
    assert item.suggestions[0].value == pytest.approx(123.456, rel=1e-6)


async def test_scan_finds_a_float_in_each_order_and_an_integer_on_a_server_in_c(c_server: Peer) -> None:
    reader = SlowReader("gauge", endpoint(c_server), SystemClock(), rate=50.0)
    try:
        found = await Scan(reader, "holding", 1, (0, 299)).run()
    finally:
        reader.close()
    assert set(found.words) == set(range(200))
    assert found.refused == [(200, 299)]
    assert found.requests < 60
    expected = {"flow": Expected(123.456, 3.0, "from plc_flow, ai_raw")}
    loop = modbus_site(c_server.port, {"flow": {"address": 0}}).loops["TB-07"]
    for address, order in ((100, ByteOrder.ABCD), (102, ByteOrder.CDAB), (104, ByteOrder.BADC), (106, ByteOrder.DCBA)):
        alone = replace(found, words={place: word for place, word in found.words.items() if place in (address, address + 1)})
        (match,) = [item for item in matches(alone, {"TB-07": Known(loop, expected)}) if item.type is WireType.FLOAT32]
        assert (match.address, match.order) == (address, order)
    few = replace(found, words={place: found.words[place] for place in range(5)})
    scaled = matches(few, {"TB-07": Known(loop, {"flow": Expected(100.2, 3.0, "from plc_flow, ai_raw")})})
    assert (2, 0.1) in {(item.address, item.scale) for item in scaled}


async def test_browsing_a_server_on_node_finds_its_nodes_and_proposes_the_flow(tmp_path: Path) -> None:
    with node("opcua_server.js", str(tmp_path / "pki")) as peer:
        bare = opcua_site(f"opc.tcp://127.0.0.1:{peer.port}/plc", {}, timeout=4.0)
        loop = bare.loops["TB-07"]
        ends = FlowRange(low=0.0, high=600.0)
        wide = loop.model_copy(update={"gauge": Gauge(range=ends), "plc": Plc(range=ends)})
        rate = 5.0
        async with TimedProxy(peer.port) as proxy:
            endpoints = {"plc": bare.endpoints["plc"].model_copy(update={"url": f"opc.tcp://127.0.0.1:{proxy.port}/plc"})}
            site = bare.model_copy(update={"loops": {"TB-07": wide}, "endpoints": endpoints})
            browsed = await browse(site, "plc", SystemClock(), rate=rate)
            sent = opcua_requests(proxy.sent)
        asked = json.loads(peer.ask("{"))
    offers = {offer.variable.name: offer for offer in browsed.offers}
    assert {f"value {number}" for number in range(1, 41)} <= set(offers)
    flow = offers["flow"]
    assert (flow.variable.value, flow.variable.unit, flow.variable.ends) == (456.5, "t/h", (0.0, 600.0))
    assert flow.guesses[0].role == "plc_flow"
    assert offers["run"].guesses[0].role == "drive_running"
    assert (offers["bad"].variable.quality, offers["bad"].variable.reason) == (BAD, "BadDeviceFailure")
    assert offers["doubt"].variable.reason == "UncertainLastUsableValue"
    assert set(asked) <= READ_SERVICES | {"OpenSecureChannel", "CloseSecureChannel"}
    assert "Browse" in asked
    session = sent[2:-1]
    assert session[-1] - session[0] >= (len(session) - 1) / rate - 0.1


def test_wizard_offers_the_nodes_of_a_server_on_node_and_the_registers_of_a_server_in_c(c_server: Peer, tmp_path: Path) -> None:
    with node("opcua_server.js", str(tmp_path / "pki")) as peer:
        person = Answering(
            {
                "short name of the site": ["peers"], "Name of a device": ["gauge", "plc"], "modbus or opcua": ["", "opcua"],
                "Its host": [f"127.0.0.1:{c_server.port}"], "Its address": [f"opc.tcp://127.0.0.1:{peer.port}/plc"],
                "Name of a loop": ["TB-07"], "20 mA? (such": ["600 t/h"], " flow: ": ["holding 100 float32"],
            }
        )  # fmt: skip
        found = interview(person, OwnConnections(SystemClock(), 20.0, 0.0))
        asked = json.loads(peer.ask("{"))
    flat = " ".join(person.said.split())
    assert "s=flow 456.5 t/h] by name, unit t/h, range as declared" in flat
    assert "flow 123.456 t/h good" in flat
    assert set(asked) <= READ_SERVICES | {"OpenSecureChannel", "CloseSecureChannel"}
    tags = parse_site(site_text(found), "site.yaml").site.loops["TB-07"].tags
    assert {"flow", "plc_flow", "plc_range_high", "plc_unit", "drive_running"} <= set(tags)


def endpoint(peer: Peer) -> ModbusEndpoint:
    return ModbusEndpoint(protocol="modbus", host="127.0.0.1", port=peer.port)
