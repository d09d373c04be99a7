"""Modbus servers that nobody here wrote: libmodbus (C), modbus-serial and jsmodbus (npm)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from checks.samples import BAD, GOOD
from collector.reading import Reading
from collector.sources.probe import read_once
from tests.collector.sources.polling import polled
from tests.collector.sources.sites import modbus_site
from tests.collector.sources.test_guard import functions_on_the_wire
from tests.peers.peer import Peer, free_port, libmodbus, node
from tests.proxy import Proxy

pytestmark = pytest.mark.peers

ROLES = ("flow", "load", "speed", "count_rate")
ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")


def in_orders(start: int, orders: tuple[str, ...], **fields: Any) -> dict[str, dict[str, Any]]:
    """The same float32 in one order after the other."""
    return {
        role: {"address": start + 2 * place, "type": "float32", "order": order, **fields}
        for place, (role, order) in enumerate(zip(ROLES, orders, strict=False))
    }


async def once(port: int, tags: dict[str, dict[str, Any]], **endpoint: Any) -> dict[str, Reading]:
    site = modbus_site(port, tags, timeout=2.0, **endpoint)
    return {reading.role: reading for reading in await read_once(site, "gauge")}


@pytest.fixture(scope="module")
def c_server() -> Iterator[Peer]:
    with libmodbus() as peer:
        yield peer


@pytest.fixture(scope="module")
def serial_server() -> Iterator[Peer]:
    with node("modbus_serial_server.js", str(free_port())) as peer:
        yield peer


@pytest.fixture(scope="module")
def js_server() -> Iterator[Peer]:
    with node("jsmodbus_server.js") as peer:
        yield peer


async def test_libmodbus_four_orders(c_server: Peer) -> None:
    got = await once(c_server.port, in_orders(100, ORDERS))
    assert [got[role].value for role in ROLES] == pytest.approx([123.456] * 4, rel=1e-6)


async def test_libmodbus_four_tables(c_server: Peer) -> None:
    tags: dict[str, dict[str, Any]] = {
        "flow": {"address": 7},
        "load": {"address": 8, "table": "input"},
        "drive_running": {"address": 4, "table": "coil"},
        "maintenance": {"address": 5, "table": "coil"},
        "plc_forced": {"address": 9, "table": "discrete"},
        "calibrating": {"address": 10, "table": "discrete"},
    }
    got = await once(c_server.port, tags)
    assert {role: reading.value for role, reading in got.items()} == {
        "flow": 1007.0,
        "load": 2008.0,
        "drive_running": 1.0,
        "maintenance": 0.0,
        "plc_forced": 1.0,
        "calibrating": 0.0,
    }


async def test_libmodbus_refuses_an_address_and_the_neighbour_is_still_read(c_server: Peer) -> None:
    got = await once(c_server.port, {"flow": {"address": 199}, "load": {"address": 205}})
    assert got["flow"].quality == GOOD
    assert got["load"].reason == "exception 2"


async def test_libmodbus_is_polled_over_a_cut_and_gets_nothing_but_reads(c_server: Peer) -> None:
    async with Proxy(c_server.port) as proxy:
        async with polled(modbus_site(proxy.port, in_orders(100, ORDERS[:2]), timeout=0.3)) as watch:
            await watch.good("load")
            proxy.cut()
            assert (await watch.good("flow")).value == pytest.approx(123.456, rel=1e-6)
        assert {function for function, _ in functions_on_the_wire(bytes(proxy.to_server))} == {3}
    c_server.line("function 3")
    assert {line for line in c_server.said if line.startswith("function")} <= {f"function {code}" for code in (1, 2, 3, 4)}


@pytest.mark.parametrize("table", ["holding", "input"])
async def test_modbus_serial_four_orders(serial_server: Peer, table: str) -> None:
    got = await once(serial_server.port, in_orders(0, ORDERS, table=table))
    assert [got[role].value for role in ROLES] == pytest.approx([123.456] * 4, rel=1e-6)


async def test_modbus_serial_bits_and_exceptions(serial_server: Peer) -> None:
    tags: dict[str, dict[str, Any]] = {
        "drive_running": {"address": 2, "table": "coil"},
        "maintenance": {"address": 4, "table": "discrete"},
        "flow": {"address": 499},
        "load": {"address": 500},
    }
    got = await once(serial_server.port, tags)
    assert (got["drive_running"].value, got["maintenance"].value, got["flow"].value) == (1.0, 0.0, 3499.0)
    assert got["load"].reason == "exception 2"


async def test_modbus_serial_ignores_another_unit_and_that_is_a_timeout(serial_server: Peer) -> None:
    async with polled(modbus_site(serial_server.port, {"flow": {"address": 10, "unit": 7}, "load": {"address": 10}})) as watch:
        await watch.bad("timeout", "flow")
        assert (await watch.good("load")).value == 3010.0
    assert "write" not in serial_server.said


async def test_jsmodbus_two_orders(js_server: Peer) -> None:
    got = await once(js_server.port, in_orders(0, ORDERS[:2]))
    assert [got[role].value for role in ROLES[:2]] == pytest.approx([123.456] * 2, rel=1e-6)
    got = await once(js_server.port, {"flow": {"address": 42, "table": "input"}})
    assert got["flow"].value == 4042.0


async def test_jsmodbus_answers_without_registers_beyond_its_buffer_and_that_is_no_zero(js_server: Peer) -> None:
    got = await once(js_server.port, {"flow": {"address": 1000}})
    assert got["flow"].quality == BAD
    assert got["flow"].reason == "bad frame: 0 bytes instead of 2"
    assert "write" not in js_server.said
