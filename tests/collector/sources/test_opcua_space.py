"""An address space walked within limits: what is found, loops in it, pages of references, depth, number, rate, and failures."""

from __future__ import annotations

import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from typing import Any

import pytest
from asyncua import ua
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaStatusCodeError

from collector.clock import SystemClock
from collector.sources import opcua_space
from collector.sources.failure import LinkError
from collector.sources.guard import READ_SERVICES
from collector.sources.opcua import OpcUaLink
from collector.sources.opcua_space import Walker
from collector.sources.opcua_variable import Space
from config.errors import TallywireError
from config.model import OpcUaEndpoint
from tests.collector.sources.opcua_server import PlantServer, count_services
from tests.collector.sources.wire import TimedProxy, opcua_requests

FAST = 200.0
VARIABLES = 7 + 1 + 32 + 1  # of the loop, at the bottom, of the large folder, oddly named


@pytest.fixture(scope="module")
def server() -> Iterator[PlantServer]:
    with PlantServer() as running:
        running.call(_grow(running))
        yield running


def _id(name: str) -> ua.NodeId:
    return ua.NodeId(ua.String(name), ua.Int16(2))


async def _grow(running: PlantServer) -> None:
    """Folders in folders with a way back to the top, a structure with members, and thirty variables in one folder."""
    assert running._server is not None
    objects = running._server.nodes.objects
    deep = await objects.add_folder(_id("deep"), "2:deep")
    below = deep
    for level in range(6):
        below = await below.add_folder(_id(f"deep {level}"), f"2:level {level}")
    await below.add_variable(_id("bottom"), "2:bottom", 7.0)
    await below.add_reference(objects, ObjectIds.Organizes)
    await below.add_reference(deep, ObjectIds.Organizes)
    many = await objects.add_folder(_id("many"), "2:many")
    for number in range(30):
        await many.add_variable(_id(f"many {number}"), f"2:value {number}", float(number))
    whole = await many.add_variable(_id("whole"), "2:whole", 1)
    await whole.add_variable(_id("part"), "2:part", 2.5)
    odd = await objects.add_folder(_id("odd"), "2:odd\x1b[2J\nname")
    await odd.add_variable(_id("odd text"), "2:\x1b]0;x\x07", "a\x1b[31mb\n")


@asynccontextmanager
async def linked(port: int, *, rate: float = FAST, timeout: float = 2.0) -> AsyncIterator[OpcUaLink]:
    endpoint = OpcUaEndpoint(protocol="opcua", url=f"opc.tcp://127.0.0.1:{port}/terminal/", timeout=timeout)
    link = OpcUaLink("plc", endpoint, SystemClock(), longest_period=1.0, rate=rate)
    try:
        await link.open()
        yield link
    finally:
        await link.close()


async def walked(server: PlantServer, under: str = "", **bounds: Any) -> Space:
    async with linked(server.port) as link:
        return await Walker(link).walk(under, **bounds)


async def test_every_variable_is_found_once_with_value_unit_and_range(server: PlantServer) -> None:
    space = await walked(server)
    by_name = {variable.name: variable for variable in space.variables}
    assert len(space.variables) == len({variable.node for variable in space.variables}) == VARIABLES
    flow = by_name["flow"]
    assert (flow.node, flow.path, flow.value) == ("nsu=urn:terminal:tags;s=flow", ("TB-07",), 420.5)
    assert (flow.unit, flow.ends, flow.data_type, flow.quality) == ("t/h", (0.0, 600.0), "Double", 0)
    assert flow.source_time == pytest.approx(time.time(), abs=600.0)
    assert (by_name["array"].value, by_name["array"].shown) == (None, "2 values")
    assert (by_name["text"].value, by_name["text"].shown) == (None, "on")
    assert by_name["word"].data_type == "UInt16"
    assert by_name["part"].path == ("many", "whole")
    assert not space.cut


async def test_names_that_would_steer_a_terminal_are_made_safe(server: PlantServer) -> None:
    space = await walked(server, "ns=2;s=odd")
    (variable,) = space.variables
    assert (variable.path, variable.name, variable.shown) == (("odd [2J name",), "]0;x", "a [31mb")


async def test_a_space_that_leads_back_into_itself_ends(server: PlantServer) -> None:
    space = await walked(server, "nsu=urn:terminal:tags;s=deep", depth=50)
    assert "bottom" in {variable.name for variable in space.variables}
    assert not space.cut


async def test_pages_of_references_are_all_fetched(server: PlantServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(opcua_space, "REFERENCES_AT_ONCE", 7)
    async with linked(server.port) as link:
        space = await Walker(link).walk("ns=2;s=many")
    assert len(space.variables) == 32


async def test_depth_and_number_bound_the_walk_and_are_told(server: PlantServer) -> None:
    shallow = await walked(server, "ns=2;s=deep", depth=3)
    assert (shallow.cut, shallow.variables) == ("deeper than 3 folders: go on with --under", [])
    few = await walked(server, most=20)
    assert few.cut.startswith("more than 20 nodes")
    assert few.nodes == 20


async def test_nodes_that_are_not_there_are_one_message(server: PlantServer) -> None:
    for under, says in (
        ("ns=2;s=nothing", "has no node"),
        ("nsu=urn:elsewhere;s=x", "no namespace urn:elsewhere"),
        ("x", "no node id"),
    ):
        with pytest.raises(TallywireError, match=says) as caught:
            await walked(server, under)
        assert caught.value.fix


async def test_only_reading_services_arrive(server: PlantServer, monkeypatch: pytest.MonkeyPatch) -> None:
    count_services(server, monkeypatch)
    server.services.clear()
    await walked(server)
    assert {"Browse", "Read"} <= set(server.services) <= READ_SERVICES | {"OpenSecureChannel", "CloseSecureChannel"}


async def test_a_server_that_takes_few_nodes_at_once_is_asked_for_fewer(
    server: PlantServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with linked(server.port) as link:
        session = link.client.uaclient.session
        browse = session.browse

        async def picky(params: Any) -> Any:
            if len(params.NodesToBrowse) > 3:
                raise UaStatusCodeError(StatusCodes.BadTooManyOperations)  # type: ignore[no-untyped-call]
            return await browse(params)

        monkeypatch.setattr(session, "browse", picky)
        space = await Walker(link).walk()
    assert len(space.variables) == VARIABLES


async def test_the_stated_rate_is_never_exceeded_on_the_wire(server: PlantServer) -> None:
    rate = 10.0
    async with TimedProxy(server.port) as proxy:
        async with linked(proxy.port, rate=rate) as link:
            space = await Walker(link).walk("ns=2;s=many")
        times = opcua_requests(proxy.sent)
    assert len(times) >= space.requests >= 6
    # the first two make the session, the last one ends it
    asked = times[2:-1]
    for place in range(len(asked)):
        within = [moment for moment in asked[place:] if moment - asked[place] < 1.0]
        assert len(within) <= rate + 1
    assert asked[-1] - asked[0] >= (len(asked) - 1) / rate - 0.1


async def test_what_was_found_before_a_cut_stays(server: PlantServer) -> None:
    async with TimedProxy(server.port) as proxy, linked(proxy.port) as link:
        walker = Walker(link, lambda seen, requests, where: proxy.cut() if where.startswith("values") else None)
        with pytest.raises(LinkError):
            await walker.walk()
    assert len(walker.space.variables) == VARIABLES


@pytest.mark.parametrize("trouble", ["silent", "garbled"])
async def test_a_server_that_answers_nothing_or_rubbish_is_a_failure_and_no_traceback(
    server: PlantServer, trouble: str
) -> None:
    async with TimedProxy(server.port) as proxy, linked(proxy.port, timeout=0.3) as link:
        if trouble == "silent":
            proxy.silent()
        else:
            proxy.garble(lambda piece: bytes(len(piece)))
        with pytest.raises(LinkError) as caught:
            await Walker(link).walk()
    assert caught.value.reason
