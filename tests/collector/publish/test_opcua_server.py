"""The OPC UA server with the client of the library: what is read, that nothing is written, and who may come in."""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import urlparse

import asyncua.ua
import pytest
import pytest_asyncio
from asyncua.client.client import Client
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256
from asyncua.crypto.uacrypto import CertProperties

from collector.publish.interface import NAMESPACE, NODES_LOOP, NODES_TOP
from collector.publish.opcua_server import APPLICATION_URI, VerdictServer
from collector.publish.picture import LINK_WORDS, STATUS_WORDS, VERDICT_WORDS, silenced
from config.publish import OpcUaPublish, PublishUser
from tests.collector.publish.test_registers import FAULT, FIT, NEW, TIME
from tests.collector.sources.authority import Pair, application_pair

ua: Any = asyncua.ua
WAIT_S = 30.0
PICTURES = [FAULT, FIT, NEW]


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def served() -> AsyncIterator[tuple[VerdictServer, str]]:
    server = VerdictServer(OpcUaPublish(port=0), {})
    url = await server.open(PICTURES)
    yield server, url
    await server.close()


pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest_asyncio.fixture(loop_scope="module")
async def server(served: tuple[VerdictServer, str]) -> VerdictServer:
    await served[0].space.show(5, TIME, PICTURES, alive=True)
    return served[0]


@pytest_asyncio.fixture(loop_scope="module")
async def client(served: tuple[VerdictServer, str], server: VerdictServer) -> AsyncIterator[Client]:
    async with Client(served[1]) as connected:
        yield connected


async def node(client: Client, path: str) -> Any:
    index = await client.get_namespace_index(NAMESPACE)
    return client.get_node(ua.NodeId(path, index))


async def read(client: Client, path: str) -> tuple[Any, str]:
    found = await (await node(client, path)).read_data_value(raise_on_bad_status=False)
    return found.Value.Value, found.StatusCode.name


async def test_a_loop_that_differs_is_told_as_a_sure_thing_and_is_not_fit(client: Client) -> None:
    assert await read(client, "TB-07/Verdict") == (3, "Good")
    assert await read(client, "TB-07/Ne107Status") == (3, "Good")
    assert await read(client, "TB-07/DeviatingLink") == (7, "Good")
    assert await read(client, "TB-07/Cause") == ("upper-range", "Good")
    assert await read(client, "TB-07/DeviationRate") == (-41.6, "Good")
    assert (await read(client, "TB-07/DeviationSpan"))[0] == pytest.approx(-9.9047619)
    assert await read(client, "TB-07/FitForControl") == (None, "Bad")
    assert await read(client, "TB-07/FitForControlCode") == (0, "Uncertain")
    assert await read(client, "TB-07/AgreesSince") == (None, "BadNoData")


async def test_a_loop_that_is_fit_and_one_that_nothing_is_known_of(client: Client) -> None:
    assert await read(client, "TB-08/FitForControl") == (True, "Good")
    assert await read(client, "TB-08/FitForControlCode") == (1, "Good")
    assert await read(client, "TB-08/AgreesSince") == (datetime.fromtimestamp(1_799_990_000, UTC), "Good")
    for name in ("FitForControl", "Verdict", "DeviationRate", "AgreesSince"):
        assert await read(client, f"TB-09/{name}") == (None, "BadWaitingForInitialData")


async def test_the_address_space_is_the_one_that_is_written_down(client: Client) -> None:
    for path, fields in (("Tallywire", NODES_TOP), ("TB-07", NODES_LOOP)):
        found = {}
        for one in await (await node(client, path)).get_variables():
            found[(await one.read_browse_name()).Name] = (await one.read_data_type_as_variant_type()).name
        assert found == {field.name: field.type for field in fields}


async def test_source_time_is_the_end_of_what_was_evaluated(client: Client) -> None:
    found = await (await node(client, "TB-07/Verdict")).read_data_value()
    assert found.SourceTimestamp == datetime.fromtimestamp(1_800_000_000, UTC)


async def test_units_ranges_and_words_stand_beside_the_numbers(client: Client) -> None:
    """Unit ids: UNECE Recommendation 20 codes E18 (t/h) and P1 (%), by the rule of OPC 10000-8, 5.6.3: the letters as a number."""
    for name, half, code, symbol in (("DeviationRate", 420.0, b"E18", "t/h"), ("DeviationSpan", 100.0, b"P1", "%")):
        ends, _ = await read(client, f"TB-07/{name}/EURange")
        unit, _ = await read(client, f"TB-07/{name}/EngineeringUnits")
        assert (ends.Low, ends.High) == (-half, half)
        assert (unit.UnitId, unit.DisplayName.Text) == (int.from_bytes(code, "big"), symbol)
        assert (await (await node(client, f"TB-07/{name}")).read_type_definition()).Identifier == ua.ObjectIds.AnalogItemType
    for name, words in (("Verdict", VERDICT_WORDS), ("Ne107Status", STATUS_WORDS), ("DeviatingLink", LINK_WORDS)):
        texts, _ = await read(client, f"TB-07/{name}/EnumStrings")
        assert tuple(text.Text for text in texts) == words


async def test_silence_takes_everything_back(client: Client, server: VerdictServer) -> None:
    mute = [silenced(picture, "silent") for picture in (FAULT, FIT)]
    await server.space.show(5, TIME, [*mute, NEW], alive=False)
    assert await read(client, "Heartbeat") == (None, "BadNoCommunication")
    for name in ("FitForControl", "Verdict", "Ne107Status", "DeviatingLink", "Cause", "DeviationRate", "AgreesSince"):
        assert await read(client, f"TB-08/{name}") == (None, "BadNoCommunication")
    assert await read(client, "TB-08/FitForControlCode") == (0, "Uncertain")
    assert await read(client, "TB-08/Reason") == ("silent", "Good")
    level = await client.get_node(ua.NodeId(ua.ObjectIds.Server_ServiceLevel)).read_value()
    assert level == 1  # OPC 10000-4, 6.6.2.4.2: no data
    await server.space.show(6, TIME, PICTURES, alive=True)
    assert await read(client, "Heartbeat") == (6, "Good")
    assert await read(client, "TB-08/FitForControl") == (True, "Good")


async def test_a_number_that_is_not_there_is_bad_beside_a_verdict_that_is(client: Client, server: VerdictServer) -> None:
    await server.space.show(5, TIME, [replace(FAULT, deviation_t_h=None), FIT, NEW], alive=True)
    assert await read(client, "TB-07/DeviationRate") == (None, "BadNoData")
    assert await read(client, "TB-07/Verdict") == (3, "Good")


class Seen:
    def __init__(self) -> None:
        self.values: asyncio.Queue[tuple[Any, str]] = asyncio.Queue()

    def datachange_notification(self, node: Any, value: Any, data: Any) -> None:
        found = data.monitored_item.Value
        self.values.put_nowait((found.Value.Value, found.StatusCode.name))


async def test_a_subscription_is_told_of_a_change_and_of_the_silence(client: Client, server: VerdictServer) -> None:
    seen = Seen()
    subscription = await client.create_subscription(50, seen)
    await subscription.subscribe_data_change(await node(client, "TB-08/FitForControl"))
    assert await asyncio.wait_for(seen.values.get(), WAIT_S) == (True, "Good")
    await server.space.show(6, TIME, [FAULT, replace(FIT, fit=False, reason="belt stopped"), NEW], alive=True)
    assert await asyncio.wait_for(seen.values.get(), WAIT_S) == (None, "Bad")
    await server.space.show(6, TIME, [FAULT, silenced(FIT, "silent"), NEW], alive=False)
    assert await asyncio.wait_for(seen.values.get(), WAIT_S) == (None, "BadNoCommunication")
    await subscription.delete()


async def test_no_attribute_of_any_node_can_be_written(client: Client) -> None:
    loop = await node(client, "TB-08")
    nodes = [await node(client, "Heartbeat"), *(await loop.get_children())]
    assert len(nodes) == 11
    for one in nodes:
        before = await one.read_data_value(raise_on_bad_status=False)
        for attribute in (ua.AttributeIds.Value, ua.AttributeIds.DisplayName, ua.AttributeIds.AccessLevel):
            for value in (ua.Variant(True), ua.Variant(1.0), ua.Variant(ua.LocalizedText("x"))):
                with pytest.raises(ua.uaerrors.BadUserAccessDenied):
                    await one.write_attribute(attribute, ua.DataValue(value))
        after = await one.read_data_value(raise_on_bad_status=False)
        assert (after.Value, after.StatusCode) == (before.Value, before.StatusCode)


async def test_nothing_can_be_called_added_deleted_registered_or_asked_of_the_past(client: Client) -> None:
    top = await node(client, "Tallywire")
    methods = client.get_node(ua.ObjectIds.Server)
    denied = ua.uaerrors.BadUserAccessDenied
    with pytest.raises(denied):
        await methods.call_method(ua.NodeId(ua.ObjectIds.Server_GetMonitoredItems), ua.Variant(1, ua.VariantType.UInt32))
    with pytest.raises(denied):
        await top.add_variable(ua.NodeId("own", 2), "2:own", 1)
    with pytest.raises(denied):
        await client.delete_nodes([top])
    with pytest.raises(denied):
        await (await node(client, "TB-08/Verdict")).read_raw_history()
    other: Any = SimpleNamespace(
        get_application_uri=lambda: "urn:other", product_uri="urn:other", endpoint=urlparse("opc.tcp://127.0.0.1:1"),
        application_type=ua.ApplicationType.Server, name="other",
    )  # fmt: skip
    with pytest.raises(ua.uaerrors.BadServiceUnsupported):
        await client.register_server(other)
    assert (await read(client, "TB-08/Verdict"))[0] == 1


async def test_fifty_sessions_with_subscriptions(served: tuple[VerdictServer, str], client: Client) -> None:
    clients = [Client(served[1]) for _ in range(50)]
    try:
        await asyncio.gather(*(one.connect() for one in clients))
        seen = [Seen() for _ in clients]
        for one, handler in zip(clients, seen, strict=True):
            subscription = await one.create_subscription(200, handler)
            await subscription.subscribe_data_change(await node(client, "TB-07/Verdict"))
        first = await asyncio.gather(*(asyncio.wait_for(handler.values.get(), WAIT_S) for handler in seen))
        assert first == [(3, "Good")] * 50
        assert served[0].clients == 51
    finally:
        await asyncio.gather(*(one.disconnect() for one in clients))
    assert await read(client, "TB-07/Verdict") == (3, "Good")


# --- who may come in -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pki")


@pytest.fixture(scope="module")
def pairs(folder: Path) -> dict[str, Pair]:
    names = {"server": APPLICATION_URI, "plc": "urn:plc", "other": "urn:other"}
    made = {name: application_pair(folder, name, uri) for name, uri in names.items()}
    return made | {"old": application_pair(folder, "old", "urn:old", days=-0.01)}


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def locked(pairs: dict[str, Pair]) -> AsyncIterator[str]:
    part = OpcUaPublish(
        port=0, security=("Basic256Sha256",), certificate=pairs["server"].certificate, key=pairs["server"].key,
        clients=(pairs["plc"].certificate, pairs["old"].certificate), users={"controller": PublishUser(password_env="X")},
    )  # fmt: skip
    server = VerdictServer(part, {"controller": "right"})
    yield await server.open(PICTURES)
    await server.close()


async def enter(url: str, pairs: dict[str, Pair], who: str, user: str, password: str) -> None:
    """Connect with a certificate and as a user, read one value."""
    client = Client(url, timeout=10)
    client.application_uri = {"plc": "urn:plc", "old": "urn:old"}.get(who, "urn:other")
    if who:
        await client.set_security(
            SecurityPolicyBasic256Sha256, str(pairs[who].certificate), CertProperties(pairs[who].key, "pem"),
            server_certificate=str(pairs["server"].certificate),
        )  # fmt: skip
    if user:
        client.set_user(user)
        client.set_password(password)
    async with client:
        value, _ = await read(client, "TB-08/Verdict")
        assert math.isclose(value, 1) or value is None


async def test_the_known_client_with_the_right_password_reads(locked: str, pairs: dict[str, Pair]) -> None:
    await enter(locked, pairs, "plc", "controller", "right")


@pytest.mark.parametrize(
    ("who", "user", "password"),
    [
        ("plc", "controller", "wrong"),
        ("plc", "nobody", "right"),
        ("plc", "admin", ""),
        ("plc", "", ""),
        ("other", "controller", "right"),
        ("old", "controller", "right"),
        ("", "controller", "right"),
        ("", "", ""),
    ],
)
async def test_everybody_else_is_refused(locked: str, pairs: dict[str, Pair], who: str, user: str, password: str) -> None:
    with pytest.raises((ua.UaError, ConnectionError, TimeoutError)):
        await enter(locked, pairs, who, user, password)
