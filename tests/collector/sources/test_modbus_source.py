from __future__ import annotations

import asyncio
import math

import pytest

from checks.samples import BAD, GOOD
from collector.clock import SystemClock
from collector.live import EndpointState
from collector.sources import modbus
from collector.sources.failure import LinkError
from collector.sources.modbus_source import ModbusSource
from config.model import ModbusEndpoint
from tests.collector.sources.device import Device
from tests.collector.sources.polling import polled
from tests.collector.sources.sites import modbus_site
from tests.proxy import Proxy

FLOW = {"flow": {"address": 107, "type": "int16"}}


@pytest.mark.parametrize(
    ("table", "function"),
    [("holding", 3), ("input", 4), ("coil", 1), ("discrete", 2)],
)
async def test_each_table_is_read_with_its_function(table: str, function: int) -> None:
    async with Device() as device:
        device.registers = {5: 1, 6: 0}
        tags = {"drive_running": {"table": table, "address": 5}, "maintenance": {"table": table, "address": 6}}
        async with polled(modbus_site(device.port, tags)) as watch:
            assert (await watch.good("drive_running")).value == 1.0
            assert (await watch.good("maintenance")).value == 0.0
        assert set(device.functions) == {function}
        assert set(device.requests) == {(1, function, 5, 2)}


async def test_values_come_with_registers_and_receive_time_and_state_is_up() -> None:
    async with Device() as device:
        device.registers = {107: 555}
        async with polled(modbus_site(device.port, FLOW)) as watch:
            reading = await watch.good()
            assert (reading.value, reading.raw, reading.source_time) == (555.0, (555.0,), None)
            assert abs(reading.receive_time - SystemClock().now()) < 5.0
            assert watch.status.state is EndpointState.UP
            assert watch.status.last_good is not None
            assert watch.status.rtt_s is not None
            assert watch.status.polls > 0


async def test_a_silent_device_is_bad_then_left_and_then_comes_back() -> None:
    async with Device() as device, Proxy(device.port) as proxy:
        device.registers = {107: 1}
        async with polled(modbus_site(proxy.port, FLOW)) as watch:
            await watch.good()
            proxy.silent()
            assert math.isnan((await watch.bad("timeout")).value)
            await watch.until(lambda: watch.status.timeouts >= 3 and watch.status.reconnects >= 1)
            proxy.pass_on()
            await watch.good()
            await watch.until(lambda: watch.status.state is EndpointState.UP)
            assert [kind for kind, _, _ in watch.events] == ["endpoint-lost", "endpoint-back"]


async def test_a_connection_cut_in_the_middle_of_a_poll_fails_at_once() -> None:
    async with Device() as device, Proxy(device.port) as proxy:
        device.registers = {107: 1}
        async with polled(modbus_site(proxy.port, FLOW, timeout=5.0)) as watch:
            await watch.good()
            proxy.silent()
            sent = len(proxy.to_server)
            await watch.until(lambda: True)
            async with asyncio.timeout(3.0):
                while len(proxy.to_server) == sent:  # noqa: ASYNC110 - bytes have no event
                    await asyncio.sleep(0.001)
                proxy.cut()
                await watch.bad("connection lost")
            proxy.pass_on()
            await watch.good()


async def test_a_refused_connection_gives_bad_readings_at_every_deadline() -> None:
    async with Device() as device, Proxy(device.port) as proxy:
        device.registers = {107: 1}
        await proxy.refuse()
        async with polled(modbus_site(proxy.port, FLOW)) as watch:
            await watch.until(lambda: len(watch.readings) >= 5)
            assert {reading.quality for reading in watch.readings} == {BAD}
            await watch.bad("connection refused")
            await proxy.accept()
            await watch.good()


async def test_garbled_bytes_are_bad_frames_and_never_numbers() -> None:
    async with Device() as device, Proxy(device.port) as proxy:
        device.registers = {107: 42}
        async with polled(modbus_site(proxy.port, FLOW)) as watch:
            await watch.good()
            proxy.garble(lambda piece: bytes(octet ^ 0xA5 for octet in piece))
            await watch.bad("bad frame: no Modbus header")
            assert {reading.value for reading in watch.readings if reading.quality == GOOD} <= {42.0}
            await watch.until(lambda: watch.status.bad_frames >= 1)
            proxy.pass_on()
            await watch.good()


async def test_an_answer_later_than_the_timeout_is_not_taken_for_the_next() -> None:
    async with Device() as device, Proxy(device.port) as proxy:
        device.registers = {107: 1}
        async with polled(modbus_site(proxy.port, FLOW, timeout=0.1)) as watch:
            await watch.good()
            proxy.delay(0.15)
            await watch.bad("timeout")
            await watch.until(lambda: watch.status.timeouts >= 3)
            proxy.pass_on()
            await watch.good()
            assert watch.status.bad_frames == 0


async def test_a_restarted_device_is_read_again() -> None:
    async with Device() as device:
        device.registers = {107: 1}
        async with polled(modbus_site(device.port, FLOW)) as watch:
            await watch.good()
            await device.stop()
            await watch.bad("refused")
            device.registers = {107: 2}
            await device.start()
            assert (await watch.good()).value == 2.0
            assert watch.status.reconnects >= 1


@pytest.mark.parametrize(
    ("spoiled", "reason"),
    [
        (lambda request, reply: reply[:7] + b"\x04" + reply[8:], "function code 4 instead of 3"),
        (lambda request, reply: reply[:5] + b"\x05" + reply[6:8] + b"\x02" + reply[9:11], "2 bytes instead of 4"),
        (lambda request, reply: reply[:5] + b"\x0b" + reply[6:8] + b"\x08" + reply[9:] + bytes(4), "8 bytes instead of 4"),
        (lambda request, reply: reply[:5] + b"\x06" + reply[6:8] + b"\x03" + reply[9:12], "3 bytes instead of 4"),
        (lambda request, reply: reply[:5] + b"\x03" + reply[6:8] + b"\x00", "0 bytes instead of 4"),
        (lambda request, reply: b"\x7f\x7f" + reply[2:], "other transaction id"),
        (lambda request, reply: b"\x00\x00" + reply[2:], "other transaction id"),
        (lambda request, reply: reply[:6] + b"\x09" + reply[7:], "other unit id"),
        (lambda request, reply: reply[:9], "short reply"),
        (lambda request, reply: reply[:7] + b"\x63" + reply[8:], "bad frame"),
        (lambda request, reply: reply[:5] + b"\x03" + reply[6:7] + b"\x84\x02", "exception to another function"),
    ],
    ids=["function", "short", "long", "odd", "empty", "transaction", "transaction-0", "unit", "cut", "unknown", "exception"],
)
async def test_a_reply_to_something_else_is_a_bad_frame(spoiled: object, reason: str) -> None:
    async with Device() as device:
        device.registers = {10: 0x42F6, 11: 0xE979}
        async with polled(modbus_site(device.port, {"flow": {"address": 10, "type": "float32"}})) as watch:
            await watch.good()
            device.reply = spoiled  # type: ignore[assignment]
            reading = await watch.bad(reason)
            assert math.isnan(reading.value)
            good = {reading.value for reading in watch.readings if reading.quality == GOOD}
            assert all(value == pytest.approx(123.456, rel=1e-6) for value in good)
            device.reply = lambda request, reply: reply
            await watch.good()


async def test_a_wrong_reply_in_a_whole_frame_does_not_cost_the_connection() -> None:
    async with Device() as device, Proxy(device.port) as proxy, polled(modbus_site(proxy.port, FLOW)) as watch:
        await watch.good()
        device.reply = lambda request, reply: reply[:7] + b"\x04" + reply[8:]
        await watch.bad("function code")
        await watch.until(lambda: watch.status.bad_frames >= 5)
        assert watch.status.state is EndpointState.DEGRADED
        assert proxy.connections == 1


async def test_exceptions_are_bad_readings_with_their_code() -> None:
    async with Device() as device, polled(modbus_site(device.port, FLOW)) as watch:
        await watch.good()
        device.reply = lambda request, reply: reply[:5] + b"\x03" + reply[6:7] + b"\x83\x06"
        await watch.bad("exception 6")
        await watch.until(lambda: watch.status.state is EndpointState.DEGRADED)
        assert watch.status.exceptions >= 1
        assert watch.status.reconnects == 0


async def test_a_block_with_a_hole_is_split_once_and_for_all() -> None:
    async with Device() as device:
        device.registers, device.holes = {0: 7, 6: 9}, {3}
        site = modbus_site(device.port, {"flow": {"address": 0}, "load": {"address": 6}})
        async with polled(site) as watch:
            assert (await watch.good("flow")).value == 7.0
            assert (await watch.good("load")).value == 9.0
            await watch.until(lambda: watch.status.polls >= 4)
        assert device.requests.count((1, 3, 0, 7)) == 1
        assert device.requests.count((1, 3, 0, 1)) >= 3


async def test_a_tag_in_a_hole_does_not_spoil_its_neighbours() -> None:
    async with Device() as device:
        device.registers, device.holes = {0: 7, 2: 9}, {1}
        site = modbus_site(device.port, {"flow": {"address": 0}, "load": {"address": 1}, "speed": {"address": 2}})
        async with polled(site) as watch:
            await watch.bad("exception 2", "load")
            assert (await watch.good("flow")).value == 7.0
            assert (await watch.good("speed")).value == 9.0


async def test_a_dead_unit_behind_a_gateway_does_not_stop_the_others() -> None:
    async with Device() as device, Proxy(device.port) as proxy:
        device.registers, device.dead_units = {0: 7}, {2}
        tags = {"flow": {"address": 0}, "load": {"address": 0, "unit": 2}, "speed": {"address": 90, "unit": 2}}
        async with polled(modbus_site(proxy.port, tags, timeout=0.03)) as watch:
            await watch.bad("timeout", "load")
            assert (await watch.good("flow")).value == 7.0
            await watch.bad("timeout", "speed")
            await watch.until(lambda: watch.status.timeouts >= 5)
            assert proxy.connections == 1
        assert not any(unit == 2 and address == 90 for unit, _, address, _ in device.requests)


async def test_tags_with_their_own_period_are_read_at_it() -> None:
    async with Device() as device:
        site = modbus_site(device.port, {"flow": {"address": 0}, "load": {"address": 50, "period": 3600.0}})
        async with polled(site) as watch:
            await watch.good("load")
            await watch.until(lambda: sum(reading.role == "flow" for reading in watch.readings) >= 5)
        assert sum(address == 50 for _, _, address, _ in device.requests) <= 2


async def test_a_server_that_accepts_and_closes_is_not_stormed() -> None:
    accepted = 0

    async def serve(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal accepted
        accepted += 1
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server, polled(modbus_site(server.sockets[0].getsockname()[1], FLOW), first_s=0.2) as watch:
        await watch.until(lambda: len(watch.readings) >= 15)
        assert {reading.quality for reading in watch.readings} == {BAD}
        assert accepted <= 6


async def test_a_cancel_passes_in_the_middle_of_a_request_and_closes() -> None:
    async with Device() as device:
        device.reply = lambda request, reply: b""
        endpoint = modbus_site(device.port, FLOW, timeout=60.0)
        source = ModbusSource("gauge", _endpoint(endpoint), endpoint, SystemClock())
        await source.connect()
        polling = asyncio.create_task(source.poll(0.05))
        async with asyncio.timeout(5.0):
            while not device.requests:  # noqa: ASYNC110 - a request has no event
                await asyncio.sleep(0.001)
            polling.cancel()
            with pytest.raises(asyncio.CancelledError):
                await polling
        await source.disconnect()
        assert (await source.poll(0.05)).lost


async def test_nobody_listening_is_refused() -> None:
    async with Device() as device:
        port = device.port
    site = modbus_site(port, FLOW)
    with pytest.raises(LinkError, match="connection refused"):
        await ModbusSource("gauge", _endpoint(site), site, SystemClock()).connect()


@pytest.mark.parametrize("error", [OSError(9, "Bad file descriptor"), AttributeError("'NoneType' object has no attribute")])
async def test_a_device_that_ends_the_connection_at_once_is_a_failure_of_the_link(
    monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """What the socket, or the library that has none left, then raises while the connection is being set up."""

    def ended(wire: object) -> None:
        raise error

    monkeypatch.setattr(modbus, "_keep_alive", ended)
    async with Device() as device:
        site = modbus_site(device.port, FLOW)
        with pytest.raises(LinkError, match="ended the connection at once"):
            await ModbusSource("gauge", _endpoint(site), site, SystemClock()).connect()


def _endpoint(site: object) -> ModbusEndpoint:
    endpoint = site.endpoints["gauge"]  # type: ignore[attr-defined]
    assert isinstance(endpoint, ModbusEndpoint)
    return endpoint
