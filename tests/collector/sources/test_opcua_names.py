"""Node ids with the URI of their namespace: read, found in a server whatever its indices, and written back."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from asyncua import ua

from checks.samples import BAD, GOOD
from collector.sources.opcua_names import parse, written
from collector.sources.probe import read_once
from tests.collector.sources.opcua_server import PlantServer
from tests.collector.sources.sites import opcua_site

SPACES = ["http://opcfoundation.org/UA/", "urn:server", "urn:terminal:tags", "urn:odd;100%"]


@pytest.fixture(scope="module")
def server() -> Iterator[PlantServer]:
    with PlantServer() as running:
        yield running


@pytest.mark.parametrize(
    ("text", "node"),
    [
        ("ns=2;s=TB-07/Flow", "ns=2;s=TB-07/Flow"),
        ("nsu=urn:terminal:tags;s=TB-07/Flow", "ns=2;s=TB-07/Flow"),
        ("nsu=urn:terminal:tags;i=17", "ns=2;i=17"),
        ("nsu=urn:odd%3B100%25;s=a;b", "ns=3;s=a;b"),
        ("nsu=urn:server;g=09087e75-8e5e-499b-954f-f2a9603db28a", "ns=1;g=09087e75-8e5e-499b-954f-f2a9603db28a"),
        ("i=85", "i=85"),
    ],
)
def test_a_name_is_found_in_the_server_and_written_back(text: str, node: str) -> None:
    # OPC UA Part 6, 5.3.1.11 (from memory): nsu=URI, with ; and % of the URI percent-encoded
    found = parse(text).in_server(SPACES)
    assert found == ua.NodeId.from_string(node)
    assert parse(written(found, SPACES)).in_server(SPACES) == found


def test_the_uri_is_written_where_the_server_tells_it() -> None:
    assert written(ua.NodeId.from_string("ns=2;s=Flow"), SPACES) == "nsu=urn:terminal:tags;s=Flow"
    assert written(ua.NodeId.from_string("ns=9;s=Flow"), SPACES) == "ns=9;s=Flow"
    assert written(ua.NodeId.from_string("ns=3;s=Flow"), SPACES) == "nsu=urn:odd%3B100%25;s=Flow"
    assert written(ua.NodeId.from_string("i=2258"), SPACES) == "i=2258"


def test_a_server_without_the_namespace_has_no_such_node() -> None:
    assert parse("nsu=urn:elsewhere;s=Flow").in_server(SPACES) is None


@pytest.mark.parametrize("text", ["flow", "nsu=;s=Flow", "nsu=urn:x", "nsu=urn:x;ns=2;s=Flow", "svr=1;ns=2;s=Flow"])
def test_what_is_no_node_id_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"node id|namespace|server"):
        parse(text)


async def test_tags_are_read_by_uri_properties_too_and_an_unknown_namespace_is_told(server: PlantServer) -> None:
    uri = "nsu=urn:terminal:tags;s="
    tags: dict[str, dict[str, Any]] = {
        "flow": {"node": f"{uri}flow"}, "plc_range_high": {"node": f"{uri}flow", "property": "EURange.high"},
        "load": {"node": "ns=2;s=load"}, "speed": {"node": "nsu=urn:elsewhere;s=speed"},
        "plc_range_low": {"node": "nsu=urn:elsewhere;s=flow", "property": "EURange.low"},
    }  # fmt: skip
    got = {reading.role: reading for reading in await read_once(opcua_site(server.url, tags), "plc")}
    assert [got[role].quality for role in ("flow", "plc_range_high", "load")] == [GOOD] * 3
    assert (got["flow"].value, got["plc_range_high"].value, got["load"].value) == (420.5, 600.0, 61.0)
    for role in ("speed", "plc_range_low"):
        assert (got[role].quality, got[role].reason) == (BAD, "the server has no namespace urn:elsewhere")
