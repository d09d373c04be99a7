"""An OPC UA server that nobody here wrote: node-opcua (npm)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from checks.samples import BAD, GOOD, UNCERTAIN
from collector.clock import SystemClock
from collector.reading import Reading
from collector.sources.guard import READ_SERVICES
from collector.sources.opcua import OpcUaLink
from collector.sources.probe import read_once
from config.errors import ForbiddenRequestError
from config.model import OpcUaEndpoint, Site
from tests.collector.sources.authority import Pair, application_pair
from tests.collector.sources.polling import polled
from tests.collector.sources.sites import opcua_site
from tests.peers.peer import Peer, node

pytestmark = pytest.mark.peers

OUR_URI = "urn:tallywire:collector"
FLOW: dict[str, dict[str, Any]] = {"flow": {"node": "ns=1;s=flow"}}
ALLOWED = READ_SERVICES | {"OpenSecureChannel", "CloseSecureChannel"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("opcua-peer")


@pytest.fixture(scope="module")
def server(folder: Path) -> Iterator[Peer]:
    with node("opcua_server.js", str(folder / "pki")) as peer:
        yield peer


@pytest.fixture(scope="module")
def ours(folder: Path) -> Pair:
    return application_pair(folder, "collector", OUR_URI)


def site(server: Peer, tags: dict[str, dict[str, Any]], **fields: Any) -> Site:
    return opcua_site(f"opc.tcp://127.0.0.1:{server.port}/plc", tags, **{"timeout": 4.0, **fields})


def secured(server: Peer, ours: Pair, security: str) -> dict[str, Any]:
    certificate = next(line for line in server.said if line.startswith("certificate ")).removeprefix("certificate ")
    return {
        "security": security,
        "server_certificate": Path(certificate),
        "client_certificate": ours.certificate,
        "client_key": ours.key,
    }


async def once(where: Site) -> dict[str, Reading]:
    return {reading.role: reading for reading in await read_once(where, "plc")}


def requests(server: Peer) -> dict[str, int]:
    counted: dict[str, int] = json.loads(server.ask("{"))
    return counted


async def test_values_properties_and_statuses(server: Peer) -> None:
    tags: dict[str, dict[str, Any]] = {
        "flow": {"node": "ns=1;s=flow"},
        "plc_range_low": {"node": "ns=1;s=flow", "property": "EURange.low"},
        "plc_range_high": {"node": "ns=1;s=flow", "property": "EURange.high"},
        "plc_unit": {"node": "ns=1;s=flow", "property": "EngineeringUnits"},
        "drive_running": {"node": "ns=1;s=run"},
        "load": {"node": "ns=1;s=bad"},
        "speed": {"node": "ns=1;s=doubt"},
        "count_rate": {"node": "ns=1;s=nothing"},
        "gauge_range_high": {"node": "ns=1;s=run", "property": "EURange.high"},
    }
    got = await once(site(server, tags))
    assert got["flow"].value == 456.5
    assert got["flow"].source_time is not None
    assert (got["plc_range_low"].value, got["plc_range_high"].value) == (0.0, 600.0)
    assert got["plc_unit"].value == 4534584.0  # E18, UNECE Recommendation 20, by the rule of OPC UA Part 8, 5.6.3
    assert got["drive_running"].value == 1.0
    assert (got["load"].quality, got["load"].reason, got["load"].raw) == (BAD, "BadDeviceFailure", (1.0,))
    assert (got["speed"].value, got["speed"].quality) == (12.5, UNCERTAIN)
    assert got["speed"].reason == "UncertainLastUsableValue"
    assert got["count_rate"].reason == "BadNodeIdUnknown"
    assert got["gauge_range_high"].reason == "no EURange"


@pytest.mark.parametrize("security", ["Basic256Sha256", "Aes128Sha256RsaOaep", "Aes256Sha256RsaPss"])
async def test_each_policy_with_user_and_pinned_certificate(
    server: Peer, ours: Pair, security: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PLC_PASSWORD", "reader-pw")
    fields = {**secured(server, ours, security), "user": "reader", "password_env": "PLC_PASSWORD"}
    got = await once(site(server, FLOW, **fields))
    assert (got["flow"].value, got["flow"].quality) == (456.5, GOOD)


async def test_a_wrong_password_is_refused(server: Peer, ours: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PLC_PASSWORD", "guess")
    fields = {**secured(server, ours, "Basic256Sha256"), "user": "reader", "password_env": "PLC_PASSWORD"}
    got = await once(site(server, FLOW, **fields))
    assert got["flow"].quality == BAD
    assert got["flow"].reason in {"BadUserAccessDenied", "BadIdentityTokenRejected"}


async def test_another_certificate_than_the_pinned_one_is_refused(server: Peer, ours: Pair, folder: Path) -> None:
    other = application_pair(folder, "other", "urn:other")
    fields = {**secured(server, ours, "Basic256Sha256"), "server_certificate": other.certificate, "timeout": 1.0}
    got = await once(site(server, FLOW, **fields))
    assert got["flow"].quality == BAD


@pytest.mark.parametrize("subscribe", [False, True])
async def test_polled_and_subscribed(server: Peer, subscribe: bool) -> None:
    tags = {**FLOW, "load": {"node": "ns=1;i=1007"}, "speed": {"node": "ns=1;s=bad"}}
    async with polled(site(server, tags, subscribe=subscribe), "plc") as watch:
        assert (await watch.good()).value == 456.5
        assert (await watch.good("load")).value == 7.0
        await watch.bad("BadDeviceFailure", "speed")
    assert set(requests(server)) <= ALLOWED


async def test_more_sessions_than_the_server_has_are_never_left_behind(server: Peer) -> None:
    before = requests(server)
    for _ in range(15):
        got = await once(site(server, FLOW))
        assert got["flow"].quality == GOOD
    after = requests(server)
    assert after["CreateSession"] - before["CreateSession"] == 15
    assert after["CloseSession"] - before["CloseSession"] == 15


async def test_a_write_never_arrives(server: Peer) -> None:
    endpoint = site(server, FLOW).endpoints["plc"]
    assert isinstance(endpoint, OpcUaEndpoint)
    link = OpcUaLink("plc", endpoint, SystemClock(), longest_period=1.0)
    await link.open()
    try:
        with pytest.raises(ForbiddenRequestError):
            await link.client.get_node("ns=1;s=flow").write_value(1.0)
    finally:
        await link.close()
    seen = requests(server)
    assert "Write" not in seen
    assert set(seen) <= ALLOWED
