from __future__ import annotations

import asyncio
import logging
from typing import Any

import pytest

from checks.samples import GOOD
from collector.clock import SystemClock
from collector.live import EndpointStatus
from collector.reading import Reading
from collector.sources.build import build_pollers
from collector.sources.probe import read_once
from config.errors import TallywireError
from tests.collector.sources.device import Device
from tests.collector.sources.opcua_server import PlantServer
from tests.collector.sources.sites import modbus_site, opcua_site


def no_event(kind: str, endpoint: str, text: str) -> None:
    """No event is expected to matter."""


async def test_pollers_are_built_with_their_statuses_and_run() -> None:
    async with Device() as device:
        device.registers = {3: 9}
        statuses: dict[str, EndpointStatus] = {}
        readings: list[Reading] = []
        site = modbus_site(device.port, {"flow": {"address": 3}})
        (poller,) = build_pollers(site, readings.extend, SystemClock(), statuses, no_event)
        assert poller.name == "gauge"
        assert statuses["gauge"].protocol == "modbus"
        stop = asyncio.Event()
        task = asyncio.create_task(poller.run(stop))
        async with asyncio.timeout(10.0):
            while not any(reading.quality == GOOD for reading in readings):  # noqa: ASYNC110
                await asyncio.sleep(0.005)
            stop.set()
            await task
        assert readings[-1].value == 9.0


def test_an_endpoint_without_tags_has_a_status_and_no_poller() -> None:
    site = modbus_site(502, {"flow": {"address": 3}})
    spare = site.model_copy(update={"endpoints": {**site.endpoints, "spare": site.endpoints["gauge"]}})
    statuses: dict[str, EndpointStatus] = {}
    pollers = build_pollers(spare, lambda _: None, SystemClock(), statuses, no_event)
    assert [poller.name for poller in pollers] == ["gauge"]
    assert statuses["spare"].reason == "no tag is read from here"


@pytest.mark.parametrize(
    "tag",
    [
        {"address": 1, "type": "float32", "bit": 2},
        {"address": 65535, "type": "int64"},
        {"address": 1, "measured_in": "m/s"},
    ],
)
def test_a_tag_that_cannot_be_decoded_is_one_clear_message(tag: dict[str, object]) -> None:
    with pytest.raises(TallywireError, match="flow") as caught:
        build_pollers(modbus_site(502, {"flow": tag}), lambda _: None, SystemClock(), {}, no_event)
    assert caught.value.where == "endpoints.gauge"


def test_libraries_do_not_log_frames() -> None:
    build_pollers(modbus_site(502, {"flow": {"address": 3}}), lambda _: None, SystemClock(), {}, no_event)
    assert not logging.getLogger("pymodbus.logging").isEnabledFor(logging.ERROR)
    assert not logging.getLogger("asyncua.client.ua_session").isEnabledFor(logging.ERROR)


async def test_read_once_gives_a_reading_for_each_tag() -> None:
    async with Device() as device:
        device.registers, device.holes = {3: 9}, {40}
        tags: dict[str, dict[str, Any]] = {"flow": {"address": 3}, "load": {"address": 40}}
        tags["speed"] = {"address": 4, "period": 60.0}
        readings = {reading.role: reading for reading in await read_once(modbus_site(device.port, tags), "gauge")}
        assert readings["flow"].value == 9.0
        assert readings["load"].reason == "exception 2"
        assert readings["speed"].value == 0.0


async def test_read_once_over_opcua() -> None:
    with PlantServer() as server:
        tags = {"flow": {"node": "ns=2;s=flow"}, "load": {"node": "ns=2;s=nothing"}}
        readings = {reading.role: reading for reading in await read_once(opcua_site(server.url, tags), "plc")}
    assert readings["flow"].value == 420.5
    assert readings["load"].reason == "BadNodeIdUnknown"


async def test_read_once_from_nobody_says_why() -> None:
    async with Device() as device:
        port = device.port
    tags = {"flow": {"address": 3}, "load": {"address": 40}}
    assert [reading.reason for reading in await read_once(modbus_site(port, tags), "gauge")] == ["connection refused"] * 2


async def test_read_once_of_an_unknown_endpoint_names_the_known_ones() -> None:
    with pytest.raises(TallywireError, match="use one of: gauge"):
        await read_once(modbus_site(502, {"flow": {"address": 3}}), "plc")
