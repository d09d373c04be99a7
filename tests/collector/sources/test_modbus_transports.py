"""TLS, RTU inside TCP and a serial line."""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from checks.samples import BAD
from collector.sources.modbus_source import ModbusSource
from tests.collector.sources.authority import Authority
from tests.collector.sources.device import Device
from tests.collector.sources.polling import polled
from tests.collector.sources.sites import modbus_site
from tests.proxy import Proxy

FLOW: dict[str, dict[str, Any]] = {"flow": {"address": 10, "type": "int32"}, "load": {"address": 20}}


async def test_tls_with_the_right_authority_is_read(tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    async with Device(tls=authority.server_context("server")) as device:
        device.registers = {10: 0x0001, 11: 0x86A0, 20: 3}
        async with polled(modbus_site(device.port, FLOW, transport="tls", ca_file=authority.file)) as watch:
            assert (await watch.good()).value == 100000.0
            assert watch.status.certificate_expires is None


async def test_tls_replies_in_several_records_are_put_together(tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    async with Device(tls=authority.server_context("server")) as device:
        device.registers, device.pieces = {10: 0x0001, 11: 0x86A0}, 5
        async with polled(modbus_site(device.port, FLOW, transport="tls", ca_file=authority.file)) as watch:
            assert (await watch.good()).value == 100000.0
            await watch.until(lambda: watch.status.polls >= 5)
            assert watch.status.bad_frames == watch.status.timeouts == 0


async def test_tls_with_another_authority_is_refused_and_nothing_is_asked(tmp_path: Path) -> None:
    stranger = Authority(tmp_path, "stranger")
    async with Device(tls=Authority(tmp_path).server_context("server")) as device:
        async with polled(modbus_site(device.port, FLOW, transport="tls", ca_file=stranger.file)) as watch:
            await watch.bad("server certificate refused")
            assert {reading.quality for reading in watch.readings} == {BAD}
        assert not device.functions


async def test_tls_to_a_server_of_another_name_is_refused(tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    async with Device(tls=authority.server_context("server")) as device:
        site = modbus_site(device.port, FLOW, transport="tls", ca_file=authority.file, host="localhost")
        async with polled(site) as watch:
            await watch.bad("server certificate refused")
        assert not device.functions


async def test_tls_shows_our_certificate_and_says_when_it_ends(tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    ours = authority.issue("collector", days=5.0)
    async with Device(tls=authority.server_context("server", wants_client=True)) as device:
        site = modbus_site(
            device.port,
            FLOW,
            transport="tls",
            ca_file=authority.file,
            client_certificate=ours.certificate,
            client_key=ours.key,
        )
        async with polled(site) as watch:
            reading = await watch.good()
            expires = watch.status.certificate_expires
            assert expires is not None
            assert 4.9 < (expires - reading.receive_time) / 86400.0 < 5.1
            assert [kind for kind, _, _ in watch.events] == ["certificate"]


async def test_a_missing_certificate_file_is_told_and_not_a_crash(tmp_path: Path) -> None:
    async with polled(modbus_site(1, FLOW, transport="tls", ca_file=tmp_path / "none.pem")) as watch:
        await watch.bad("certificate files cannot be used")


async def test_rtu_inside_tcp_is_read_and_recovers_from_a_wrong_checksum() -> None:
    async with Device(rtu=True) as device:
        device.registers = {10: 0x0001, 11: 0x86A0}
        async with polled(modbus_site(device.port, FLOW, transport="rtu-over-tcp", timeout=0.05)) as watch:
            assert (await watch.good()).value == 100000.0
            device.reply = lambda request, reply: reply[:-1] + bytes([reply[-1] ^ 1])
            await watch.bad("bad frame: wrong checksum")
            device.reply = lambda request, reply: reply
            assert (await watch.good()).value == 100000.0


async def test_rtu_keeps_quiet_for_one_timeout_after_a_timeout() -> None:
    async with Device(rtu=True) as device, Proxy(device.port) as proxy:
        device.registers = {10: 0x0001, 11: 0x86A0, 20: 3}
        site = modbus_site(proxy.port, FLOW, transport="rtu-over-tcp", timeout=0.1, join_gap=0)
        async with polled(site) as watch:
            await watch.good()
            proxy.delay(0.15)
            await watch.bad("timeout")
            await watch.until(lambda: watch.status.timeouts >= 2)
            proxy.pass_on()
            assert (await watch.good()).value == 100000.0
            good = {(reading.role, reading.value) for reading in watch.readings if reading.quality != BAD}
            assert good <= {("flow", 100000.0), ("load", 3.0)}


@asynccontextmanager
async def serial_line(device: Device) -> AsyncIterator[str]:
    """A pair of pseudo terminals with the device at the far end; gives the name of the near one."""
    far, near = os.openpty()
    tty.setraw(far)
    tty.setraw(near)
    os.set_blocking(far, False)
    heard = bytearray()
    loop = asyncio.get_running_loop()

    def take() -> None:
        heard.extend(os.read(far, 4096))
        while len(heard) >= 8:
            request = bytes(heard[:8])
            del heard[:8]
            os.write(far, device.answer(request))

    loop.add_reader(far, take)
    try:
        yield os.ttyname(near)
    finally:
        loop.remove_reader(far)
        os.close(far)
        os.close(near)


async def test_rtu_on_a_serial_line_is_read() -> None:
    device = Device(rtu=True)
    device.registers = {10: 0x0001, 11: 0x86A0, 20: 3}
    async with serial_line(device) as name:
        # a pseudo terminal knows no parity
        site = modbus_site(None, FLOW, transport="rtu", device=name, baud=19200, parity="N")
        async with polled(site) as watch:
            assert (await watch.good()).value == 100000.0
            device.dead_units = {1}
            await watch.bad("timeout")
            device.dead_units = set()
            assert (await watch.good("load")).value == 3.0
    assert set(device.functions) == {3}


async def test_a_serial_line_that_is_not_there_is_told(tmp_path: Path) -> None:
    site = modbus_site(None, FLOW, transport="rtu", device=str(tmp_path / "ttyS9"))
    async with polled(site) as watch:
        await watch.bad("cannot connect")


def test_a_source_without_tags_has_no_group() -> None:
    site = modbus_site(502, FLOW)
    endpoint = site.endpoints["gauge"]
    assert ModbusSource("other", endpoint, site, None).periods == []  # type: ignore[arg-type]
