"""Survey and locate against Modbus servers that nobody here wrote, which hold 123.456 as a float in all four orders from register 100."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from collector.clock import SystemClock
from collector.commissioning.locate import locate, narrow, tolerance
from collector.commissioning.registers import SlowReader
from collector.commissioning.survey import survey
from config.model import ByteOrder, ModbusEndpoint
from tests.collector.sources.sites import modbus_site
from tests.peers.peer import Peer, libmodbus

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
