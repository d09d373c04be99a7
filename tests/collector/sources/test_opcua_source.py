from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from asyncua import ua

from checks.samples import BAD, GOOD, UNCERTAIN
from collector.clock import SystemClock
from collector.live import EndpointState
from collector.sources.opcua_source import OpcUaSource
from config.model import OpcUaEndpoint
from tests.collector.sources.opcua_server import PlantServer, count_services
from tests.collector.sources.polling import polled
from tests.collector.sources.sites import opcua_site
from tests.proxy import Proxy

FLOW = {"flow": {"node": "ns=2;s=flow"}}


@pytest.fixture(scope="module")
def shared() -> Iterator[PlantServer]:
    with PlantServer() as server:
        yield server


@pytest.fixture
def server(shared: PlantServer) -> PlantServer:
    shared.put("flow", 420.5)
    return shared


def url(proxy: Proxy) -> str:
    return f"opc.tcp://127.0.0.1:{proxy.port}/terminal/"


async def test_values_come_with_source_time_and_state_is_up(server: PlantServer) -> None:
    stamp = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
    server.put("flow", 12.5, source=stamp)
    async with polled(opcua_site(server.url, FLOW), "plc") as watch:
        reading = await watch.good()
        assert (reading.value, reading.raw) == (12.5, (12.5,))
        assert reading.source_time == stamp.timestamp()
        assert abs(reading.receive_time - time.time()) < 5.0
        assert watch.status.state is EndpointState.UP
        assert watch.status.clock_skew_s is not None
        assert abs(watch.status.clock_skew_s) < 1.0


async def test_one_read_request_brings_the_whole_group(server: PlantServer, monkeypatch: pytest.MonkeyPatch) -> None:
    tags = {"flow": {"node": "ns=2;s=flow"}, "load": {"node": "ns=2;s=load"}, "speed": {"node": "ns=2;s=speed"}}
    async with polled(opcua_site(server.url, tags), "plc") as watch:
        await watch.good("speed")
        server.services.clear()
        count_services(server, monkeypatch)
        before = watch.status.polls
        await watch.until(lambda: watch.status.polls >= before + 10)
        reads = server.services["Read"]
        assert watch.status.polls - before - 2 <= reads <= watch.status.polls - before + 2


async def test_all_kinds_of_nodes(server: PlantServer) -> None:
    tags: dict[str, dict[str, Any]] = {
        "maintenance": {"node": "ns=2;s=word", "bit": 2},
        "plc_forced": {"node": "ns=2;s=word", "bit": 1},
        "drive_running": {"node": "ns=2;s=text", "values": {"on": 1.0, "off": 0.0}},
        "gauge_clock": {"node": "ns=2;s=clock"},
        "load": {"node": "ns=2;s=array"},
        "speed": {"node": "ns=2;s=nothing"},
        "plc_range_low": {"node": "ns=2;s=flow", "property": "EURange.low"},
        "plc_range_high": {"node": "ns=2;s=flow", "property": "EURange.high"},
        "plc_unit": {"node": "ns=2;s=flow", "property": "EngineeringUnits"},
        "gauge_range_high": {"node": "ns=2;s=load", "property": "EURange.high"},
    }
    async with polled(opcua_site(server.url, tags), "plc") as watch:
        await watch.until(lambda: len(watch.readings) >= 3 * len(tags) and watch.last("speed") is not None)
        await watch.good("maintenance")
        await watch.until(lambda: len({reading.role for reading in watch.readings}) == len(tags))
        got = {reading.role: reading for reading in watch.readings}
        assert got["maintenance"].value == 1.0
        assert got["plc_forced"].value == 0.0
        assert got["drive_running"].value == 1.0
        assert got["gauge_clock"].value == datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC).timestamp()
        assert (got["load"].quality, got["load"].reason) == (BAD, "no single number")
        assert (got["speed"].quality, got["speed"].reason) == (BAD, "BadNodeIdUnknown")
        assert (got["plc_range_low"].value, got["plc_range_high"].value) == (0.0, 600.0)
        assert got["plc_unit"].value == 4534584.0
        assert (got["gauge_range_high"].quality, got["gauge_range_high"].reason) == (BAD, "no EURange")
        assert watch.status.state is EndpointState.DEGRADED


async def test_bad_and_uncertain_status_are_kept(server: PlantServer) -> None:
    async with polled(opcua_site(server.url, FLOW), "plc") as watch:
        await watch.good()
        server.put("flow", 7.0, status=0x808B0000)
        assert math.isnan((await watch.bad("BadDeviceFailure")).value)
        await watch.until(lambda: watch.status.state is EndpointState.DEGRADED)
        server.put("flow", 8.0, status=0x40900000)
        await watch.until(lambda: watch.readings[-1].quality == UNCERTAIN)
        assert (watch.readings[-1].value, watch.readings[-1].reason) == (8.0, "UncertainLastUsableValue")


async def test_reads_are_cut_to_what_the_server_takes_at_once(server: PlantServer, monkeypatch: pytest.MonkeyPatch) -> None:
    tags = {"flow": {"node": "ns=2;s=flow"}, "load": {"node": "ns=2;s=load"}, "speed": {"node": "ns=2;s=speed"}}
    monkeypatch.setattr("collector.sources.opcua.MAX_NODES_PER_READ", ua.NodeId.from_string("ns=2;s=word"))
    server.put("word", 2, kind=ua.VariantType.UInt16)
    try:
        site = opcua_site(server.url, tags)
        source = source_of_plc(site)
        await source.connect()
        count_services(server, monkeypatch)
        server.services.clear()
        poll = await source.poll(0.05)
        await source.disconnect()
    finally:
        server.put("word", 5, kind=ua.VariantType.UInt16)
    assert [reading.quality for reading in poll.readings] == [GOOD] * 3
    assert server.services["Read"] == 2


async def test_a_clock_that_is_off_is_told_once(server: PlantServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.sources.opcua.CURRENT_TIME", ua.NodeId.from_string("ns=2;s=clock"))
    server.put("clock", datetime.now(UTC) + timedelta(seconds=100))
    try:
        async with polled(opcua_site(server.url, FLOW), "plc") as watch:
            await watch.until(lambda: any(kind == "clock-skew" for kind, _, _ in watch.events))
            assert watch.status.clock_skew_s == pytest.approx(100.0, abs=5.0)
            polls = watch.status.polls
            await watch.until(lambda: watch.status.polls > polls + 3)
            assert [kind for kind, _, _ in watch.events] == ["clock-skew"]
    finally:
        server.put("clock", datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC))


@pytest.mark.parametrize("subscribe", [False, True])
async def test_a_cut_connection_is_bad_and_comes_back(server: PlantServer, subscribe: bool) -> None:
    async with Proxy(server.port) as proxy, polled(opcua_site(url(proxy), FLOW, subscribe=subscribe), "plc") as watch:
        await watch.good()
        await proxy.refuse()
        await watch.bad()
        await watch.bad("connection refused")
        await proxy.accept()
        await watch.good()
        await watch.until(lambda: [kind for kind, _, _ in watch.events] == ["endpoint-lost", "endpoint-back"])


async def test_a_silent_server_is_bad_within_the_timeout_and_comes_back(server: PlantServer) -> None:
    async with Proxy(server.port) as proxy, polled(opcua_site(url(proxy), FLOW, timeout=0.25), "plc") as watch:
        await watch.good()
        proxy.silent()
        await watch.bad("timeout")
        await watch.until(lambda: watch.status.reconnects >= 1)
        proxy.cut()
        proxy.pass_on()
        await watch.good()


async def test_garbled_answers_never_become_numbers(server: PlantServer) -> None:
    async with Proxy(server.port) as proxy, polled(opcua_site(url(proxy), FLOW, timeout=0.3), "plc") as watch:
        await watch.good()
        proxy.garble(lambda piece: bytes(octet ^ 0x5A for octet in piece))
        await watch.bad()
        assert {reading.value for reading in watch.readings if reading.quality == GOOD} <= {420.5}
        proxy.pass_on()
        await watch.good()


async def test_an_answer_later_than_the_timeout_is_bad(server: PlantServer) -> None:
    async with Proxy(server.port) as proxy, polled(opcua_site(url(proxy), FLOW, timeout=0.25), "plc") as watch:
        await watch.good()
        proxy.delay(0.4)
        await watch.bad("timeout")
        proxy.pass_on()
        await watch.good()


async def test_a_subscribed_value_that_changes_is_seen_each_time(server: PlantServer) -> None:
    async with polled(opcua_site(server.url, FLOW, subscribe=True), "plc") as watch:
        await watch.good()
        for value in (1.0, 2.0, 3.0):
            server.put("flow", value)
            await watch.until(lambda value=value: watch.readings[-1].value == value)  # type: ignore[misc]


async def test_a_subscribed_value_that_stands_still_stays_good(server: PlantServer, monkeypatch: pytest.MonkeyPatch) -> None:
    tags = {**FLOW, "load": {"node": "ns=2;s=load"}, "speed": {"node": "ns=2;s=nothing"}}
    async with polled(opcua_site(server.url, tags, subscribe=True), "plc") as watch:
        await watch.good("load")
        count_services(server, monkeypatch)
        server.services.clear()
        watch.readings.clear()
        await watch.until(lambda: sum(reading.role == "load" for reading in watch.readings) >= 10)
        assert {reading.value for reading in watch.readings if reading.role == "load"} == {61.0}
        times = [reading.receive_time for reading in watch.readings if reading.role == "load"]
        assert times == sorted(times)
        assert {reading.reason for reading in watch.readings if reading.role == "speed"} == {"BadNodeIdUnknown"}


async def test_a_dropped_subscription_is_found_by_reading(server: PlantServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.sources.subscription.LEAST_SILENT_S", 0.1)
    monkeypatch.setattr("collector.sources.subscription.SILENT_PERIODS", 2.0)
    site = opcua_site(server.url, FLOW, subscribe=True)
    source = source_of_plc(site)
    await source.connect()
    try:
        assert source.link is not None
        await source.poll(0.05)
        await source.link.client._subscriptions[0].delete()
        server.put("flow", 99.0)
        async with asyncio.timeout(10.0):
            while (await source.poll(0.05)).readings[-1].value != 99.0:  # noqa: ASYNC110
                await asyncio.sleep(0.01)
    finally:
        await source.disconnect()


async def test_sessions_are_closed_and_none_is_left_behind(server: PlantServer, monkeypatch: pytest.MonkeyPatch) -> None:
    count_services(server, monkeypatch)
    server.services.clear()
    async with polled(opcua_site(server.url, FLOW), "plc") as watch:
        await watch.good()
    assert server.services["CreateSession"] == server.services["CloseSession"] == 1


@pytest.mark.parametrize("node", ["flow", "ns=x;s=1", "ns=2;i=", "nsu=urn:x"])
def test_a_node_id_that_is_none_is_refused_at_the_start(node: str) -> None:
    with pytest.raises(ValueError, match="TB-07 flow"):
        source_of_plc(opcua_site("opc.tcp://127.0.0.1:1", {"flow": {"node": node}}))


def source_of_plc(site: Any) -> OpcUaSource:
    endpoint = site.endpoints["plc"]
    assert isinstance(endpoint, OpcUaEndpoint)
    return OpcUaSource("plc", endpoint, site, SystemClock())
