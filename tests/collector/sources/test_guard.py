"""Nothing but reads leaves: the gate itself, and what was on the wire."""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest
from pymodbus.pdu.register_message import WriteSingleRegisterRequest

from collector.clock import SystemClock
from collector.sources.failure import LinkError
from collector.sources.guard import READ_SERVICES, ModbusGuard, OpcUaGuard, check_function
from collector.sources.modbus import ModbusLink
from collector.sources.opcua import OpcUaLink
from config.errors import ForbiddenRequestError
from config.model import ModbusEndpoint, OpcUaEndpoint
from tests.collector.sources.device import Device
from tests.collector.sources.opcua_server import PlantServer, count_services
from tests.collector.sources.polling import polled
from tests.collector.sources.sites import modbus_site, opcua_site
from tests.proxy import Proxy


@given(st.integers(0, 255), st.integers(-1, 255))
def test_only_reads_pass_the_gate(function: int, sub_function: int) -> None:
    # Modbus application protocol V1.1b3, section 6: 1-4 read, 43/14 reads the device identification
    if function in (1, 2, 3, 4) or (function, sub_function) == (43, 14):
        check_function("gauge", function, sub_function)
    else:
        with pytest.raises(ForbiddenRequestError, match=f"function code {function}"):
            check_function("gauge", function, sub_function)


def test_the_bytes_are_checked_as_well_as_the_object() -> None:
    guard = ModbusGuard("gauge", 7)
    guard.check_frame(bytes.fromhex("000100000006 11 03 006B0003"))
    guard.check_frame(bytes.fromhex("000100000005 11 2B 0E 01 00"))
    with pytest.raises(ForbiddenRequestError):
        guard.check_frame(bytes.fromhex("000100000006 11 06 006B0003"))
    with pytest.raises(ForbiddenRequestError):
        guard.check_frame(b"")
    with pytest.raises(ForbiddenRequestError):
        guard.check_request(WriteSingleRegisterRequest(address=1, registers=[1]))
    guard.check_request(ReadDeviceInformationRequest())


def test_services_that_change_something_are_not_let_through() -> None:
    guard = OpcUaGuard("plc")
    for service in (
        "Write",
        "Call",
        "HistoryUpdate",
        "AddNodes",
        "DeleteNodes",
        "AddReferences",
        "DeleteReferences",
        "SetTriggering",
    ):
        request = type(f"{service}Request", (SimpleNamespace,), {})()
        with pytest.raises(ForbiddenRequestError, match=service):
            guard.observe_request(request)
    assert not guard.passed
    with guard.observe_request(type("ReadRequest", (SimpleNamespace,), {})()):
        assert guard.passed == {"Read": 1}


def functions_on_the_wire(sent: bytes) -> set[tuple[int, int]]:
    """Function and first data byte of each Modbus TCP frame."""
    found = set()
    while sent:
        length = int.from_bytes(sent[4:6], "big")
        found.add((sent[7], sent[8]))
        sent = sent[6 + length :]
    return found


@pytest.mark.parametrize("call", ["write_register", "write_registers", "write_coil", "write_coils", "mask_write_register"])
async def test_a_write_over_modbus_is_stopped_and_no_byte_leaves(call: str) -> None:
    async with Device() as device, Proxy(device.port) as proxy:
        endpoint = modbus_site(proxy.port, {"flow": {"address": 0}}).endpoints["gauge"]
        assert isinstance(endpoint, ModbusEndpoint)
        link = ModbusLink("gauge", endpoint, SystemClock())
        await link.open()
        arguments: dict[str, tuple[Any, ...]] = {
            "write_registers": (0, [1]),
            "write_coils": (0, [True]),
            "mask_write_register": (),
        }
        with pytest.raises(ForbiddenRequestError):
            await getattr(link.client, call)(*arguments.get(call, (0, 1)))
        assert proxy.to_server == b""
        assert await link.read(1, 3, 0, 1) == [0]
        assert functions_on_the_wire(bytes(proxy.to_server)) == {(3, 0)}
        link.close()


async def test_device_identification_may_be_read() -> None:
    async with Device() as device:
        endpoint = modbus_site(device.port, {"flow": {"address": 0}}).endpoints["gauge"]
        assert isinstance(endpoint, ModbusEndpoint)
        link = ModbusLink("gauge", endpoint, SystemClock())
        await link.open()
        reply = await link.client.read_device_information(device_id=1)
        assert reply.exception_code == 1
        link.close()


async def test_a_run_with_faults_puts_nothing_but_reads_on_the_wire() -> None:
    tags: dict[str, dict[str, Any]] = {
        "flow": {"address": 0},
        "load": {"address": 3, "table": "input"},
        "maintenance": {"address": 9, "table": "coil"},
        "plc_forced": {"address": 9, "table": "discrete"},
    }
    async with Device() as device, Proxy(device.port) as proxy:
        device.registers, device.holes = {0: 1}, {1, 2}
        async with polled(modbus_site(proxy.port, tags)) as watch:
            await watch.good()
            proxy.cut()
            await watch.good("maintenance")
            proxy.garble(lambda piece: piece[:-1])
            await watch.bad()
            proxy.pass_on()
            await watch.good("plc_forced")
        assert {function for function, _ in functions_on_the_wire(bytes(proxy.to_server))} == {1, 2, 3, 4}
        assert set(device.functions) == {1, 2, 3, 4}


@pytest.fixture(scope="module")
def server() -> Iterator[PlantServer]:
    with PlantServer() as running:
        yield running


@pytest.mark.parametrize("subscribe", [False, True])
async def test_an_opcua_run_asks_for_reading_services_only(
    server: PlantServer, subscribe: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    count_services(server, monkeypatch)
    server.services.clear()
    tags = {"flow": {"node": "ns=2;s=flow"}, "plc_unit": {"node": "ns=2;s=flow", "property": "EngineeringUnits"}}
    async with polled(opcua_site(server.url, tags, subscribe=subscribe), "plc") as watch:
        await watch.good("plc_unit")
        await watch.good()
    assert server.services["Read"] >= 1
    assert set(server.services) <= READ_SERVICES | {"CloseSecureChannel"}


async def test_a_write_over_opcua_is_stopped_and_the_value_stands(server: PlantServer, monkeypatch: pytest.MonkeyPatch) -> None:
    endpoint = opcua_site(server.url, {"flow": {"node": "ns=2;s=flow"}}).endpoints["plc"]
    assert isinstance(endpoint, OpcUaEndpoint)
    link = OpcUaLink("plc", endpoint, SystemClock(), longest_period=1.0)
    await link.open()
    try:
        count_services(server, monkeypatch)
        server.services.clear()
        node = link.client.get_node("ns=2;s=flow")
        before = server.value("flow")
        with pytest.raises(ForbiddenRequestError):
            await node.write_value(before + 1.0)
        with pytest.raises(ForbiddenRequestError):
            await link.client.get_objects_node().call_method(node.nodeid)
        assert server.value("flow") == before
        assert not {"Write", "Call"} & set(server.services)
        (value,) = await link.read([node.nodeid])
        assert value.Value is not None
        assert value.Value.Value == before
    finally:
        await link.close()


async def test_a_closed_link_reads_nothing() -> None:
    async with Device() as device:
        endpoint = modbus_site(device.port, {"flow": {"address": 0}}).endpoints["gauge"]
        assert isinstance(endpoint, ModbusEndpoint)
        link = ModbusLink("gauge", endpoint, SystemClock())
        with pytest.raises(LinkError, match="disconnected"):
            await link.read(1, 3, 0, 1)
