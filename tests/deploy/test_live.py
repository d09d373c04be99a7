"""The running plant, read over its sockets by the clients of pymodbus and asyncua, not by our own."""

from __future__ import annotations

import asyncio
import os
import signal
import stat
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

import asyncua.ua
import httpx
import psutil
import pytest
from asyncua.client.client import Client
from pymodbus.client import AsyncModbusTcpClient

from collector.demo import CONTROL_FILE, PlantProcess, read_control
from config.errors import TallywireError
from config.load import load_site
from config.model import ModbusEndpoint, OpcUaEndpoint, Site

ua: Any = asyncua.ua

PATIENCE_S = 30.0


async def until(holds: Callable[[], Awaitable[bool]]) -> None:
    """Wait for a condition; polling is how a client of the plant sees it."""
    async with asyncio.timeout(PATIENCE_S):
        while True:
            if await holds():
                return
            await asyncio.sleep(0.05)


def site_of(plant: PlantProcess) -> Site:
    return load_site(plant.site_path).site


@pytest.fixture
async def gauge(plant: PlantProcess, request: pytest.FixtureRequest) -> AsyncIterator[AsyncModbusTcpClient]:
    endpoint = site_of(plant).endpoints[f"gauge-{request.param}"]
    assert isinstance(endpoint, ModbusEndpoint)
    client = AsyncModbusTcpClient(endpoint.host, port=endpoint.port or 0)
    assert await client.connect()
    yield client
    client.close()


@pytest.fixture
async def plc(plant: PlantProcess) -> AsyncIterator[Client]:
    endpoint = site_of(plant).endpoints["plc"]
    assert isinstance(endpoint, OpcUaEndpoint)
    client = Client(endpoint.url)
    client.session_timeout = 60_000
    async with client:
        yield client


async def floats(client: AsyncModbusTcpClient, table: str, address: int, order: Any) -> float:
    read = client.read_input_registers if table == "input" else client.read_holding_registers
    answer = await read(address, count=2, device_id=1)
    assert not answer.isError()
    value = client.convert_from_registers(answer.registers, client.DATATYPE.FLOAT32, word_order=order)
    assert isinstance(value, float)
    return value


@pytest.mark.parametrize(
    ("gauge", "order", "high", "empty"),
    [("TB-07", "big", 420.0, 5200.0), ("TB-08", "big", 600.0, 8245.0), ("TB-09", "little", 500.0, 6452.0)],
    indirect=["gauge"],
)
async def test_gauge_gives_measured_values_and_settings_in_its_word_order(
    gauge: AsyncModbusTcpClient, order: Any, high: float, empty: float
) -> None:
    assert await floats(gauge, "holding", 2, order) == high
    assert await floats(gauge, "holding", 4, order) == empty
    assert 0.6 * empty < await floats(gauge, "input", 6, order) < 1.1 * empty
    assert 3.8 <= await floats(gauge, "input", 10, order) <= 20.5


@pytest.mark.parametrize("gauge", ["TB-07"], indirect=True)
async def test_gauge_refuses_every_function_that_is_not_a_read(gauge: AsyncModbusTcpClient) -> None:
    before = await floats(gauge, "holding", 2, "big")
    refused = [
        await gauge.write_register(2, 0, device_id=1),
        await gauge.write_registers(2, [0, 0], device_id=1),
        await gauge.write_coil(0, True, device_id=1),
        await gauge.mask_write_register(address=2, device_id=1),
        await gauge.readwrite_registers(read_address=0, read_count=1, address=2, values=[0], device_id=1),
    ]
    assert [answer.exception_code for answer in refused] == [1] * 5
    assert await floats(gauge, "holding", 2, "big") == before


@pytest.mark.parametrize("gauge", ["TB-07"], indirect=True)
async def test_gauge_answers_address_behind_its_map_with_exception_two(gauge: AsyncModbusTcpClient) -> None:
    answer = await gauge.read_input_registers(18, count=4, device_id=1)
    assert answer.exception_code == 2


# UN/ECE Recommendation 20 codes E18, 4W, KGS as unit ids (OPC 10000-8, EUInformation; computed by hand from the characters).
@pytest.mark.parametrize(
    ("loop", "high", "unit_id"),
    [("TB-07", 420.0, 0x453138), ("TB-08", 600.0 / 0.90718474, 0x3457), ("TB-09", 500.0 / 3.6, 0x4B4753)],
)
async def test_plc_offers_range_and_unit_of_each_flow(plc: Client, loop: str, high: float, unit_id: int) -> None:
    flow = plc.get_node(f"ns=2;s={loop}/Flow")
    ends = await (await flow.get_child("0:EURange")).read_value()
    unit = await (await flow.get_child("0:EngineeringUnits")).read_value()
    assert (ends.Low, ends.High) == (0.0, pytest.approx(high))
    assert unit.UnitId == unit_id


async def test_plc_stamps_each_second_with_its_time(plc: Client) -> None:
    node = plc.get_node("ns=2;s=TB-07/Flow")
    first: Any = await node.read_data_value()
    assert first.StatusCode.is_good()
    assert abs(first.SourceTimestamp.timestamp() - time.time()) < 5.0
    second: Any = first

    async def moved() -> bool:
        nonlocal second
        second = await node.read_data_value()
        return bool(second.SourceTimestamp != first.SourceTimestamp)

    await until(moved)
    assert second.SourceTimestamp > first.SourceTimestamp
    assert second.SourceTimestamp.microsecond == 0


async def test_plc_refuses_a_write(plc: Client) -> None:
    node = plc.get_node("ns=2;s=TB-07/Maintenance")
    with pytest.raises(ua.UaStatusCodeError):
        await node.write_value(ua.Variant(True, ua.VariantType.Boolean))
    assert await node.read_value() is False


async def test_short_tons_on_the_wire_are_the_gauge_flow(plant: PlantProcess, plc: Client) -> None:
    site = site_of(plant)
    assert site.loops["TB-08"].tags["plc_flow"].measured_in == "short_ton/h"
    assert site.loops["TB-09"].tags["plc_flow"].measured_in == "kg/s"
    raw = plc.get_node("ns=2;s=TB-08/RawInput")
    flow = plc.get_node("ns=2;s=TB-08/Flow")
    values: Any = await plc.uaclient.read_attributes([raw.nodeid, flow.nodeid], ua.AttributeIds.Value)
    counts, shown = (value.Value.Value for value in values)
    assert shown == pytest.approx(counts / 27648.0 * 600.0 / 0.90718474, abs=0.01)


def test_site_file_of_the_plant_is_sound_and_covers_every_role(plant: PlantProcess) -> None:
    from deploy.plant.site import POTASH

    site = site_of(plant)
    for loop, spec in POTASH.items():
        assert set(site.loops[loop].tags) == set(spec.roles)


def test_control_file_is_for_its_owner_alone(plant: PlantProcess) -> None:
    path = plant.site_path.with_name(CONTROL_FILE)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert read_control(path) == plant.switchboard


@pytest.mark.parametrize("token", ["", "Bearer", "Bearer wrong", "Basic wrong"])
def test_switchboard_refuses_a_wrong_token(plant: PlantProcess, token: str) -> None:
    order = {"on": True}
    headers = {"Authorization": token} if token else {}
    answer = httpx.put(f"{plant.control_url}/faults/TB-07/zero-counts", json=order, headers=headers, trust_env=False)
    assert answer.status_code == 401
    assert httpx.get(f"{plant.control_url}/faults", headers=headers, trust_env=False).status_code == 401
    assert plant.switchboard.listing()["active"]["TB-07"] == {}


@pytest.mark.parametrize("body", [b"", b"[]", b"{}", b'{"on": 1}', b'{"on": true, "severity": "much"}', b"\xff"])
def test_switchboard_says_what_is_wrong_with_an_order(plant: PlantProcess, body: bytes) -> None:
    answer = httpx.put(
        f"{plant.control_url}/faults/TB-07/zero-counts",
        content=body,
        headers={"Authorization": f"Bearer {plant.token}"},
        trust_env=False,
    )
    assert answer.status_code == 400
    assert answer.json()["fix"]


def test_unknown_fault_and_loop_are_named(plant: PlantProcess) -> None:
    with pytest.raises(TallywireError, match="shutter-closed"):
        plant.set_fault("TB-07", "shutter-close", True)
    with pytest.raises(TallywireError, match="TB-08"):
        plant.set_fault("TB-70", "shutter-closed", True)


@pytest.mark.parametrize("gauge", ["TB-07"], indirect=True)
async def test_fault_reaches_the_wire_and_leaves_it(plant: PlantProcess, gauge: AsyncModbusTcpClient) -> None:
    async def no_counts() -> bool:
        return await floats(gauge, "input", 6, "big") == 0.0

    async def counts_again() -> bool:
        return await floats(gauge, "input", 6, "big") > 1000.0

    await asyncio.to_thread(plant.set_fault, "TB-07", "zero-counts", True)
    assert plant.switchboard.listing()["active"]["TB-07"] == {"zero-counts": 1.0}
    await until(no_counts)
    await asyncio.to_thread(plant.set_fault, "TB-07", "zero-counts", False)
    await until(counts_again)


async def test_range_of_the_plc_follows_a_fault(plant: PlantProcess, plc: Client) -> None:
    node = await plc.get_node("ns=2;s=TB-09/Flow").get_child("0:EURange")
    await asyncio.to_thread(plant.set_fault, "TB-09", "upper-range@plc", True, 450.0)

    async def narrowed() -> bool:
        return bool((await node.read_value()).High == pytest.approx(450.0 / 3.6))

    await until(narrowed)
    await asyncio.to_thread(plant.set_fault, "TB-09", "upper-range@plc", False)


def wait_gone(processes: list[psutil.Process]) -> list[psutil.Process]:
    alive: list[psutil.Process] = psutil.wait_procs(processes, timeout=PATIENCE_S)[1]
    return [process for process in alive if process.status() != psutil.STATUS_ZOMBIE]


STARTER = """
import sys, time
from pathlib import Path
from collector.demo import start_plant
plant = start_plant(Path(sys.argv[1]), seed=3)
print(plant.process.pid, flush=True)
sys.stdin.read()
"""


@pytest.mark.crash
def test_plant_and_servers_end_when_their_parent_is_killed(tmp_path: Path) -> None:
    parent = subprocess.Popen(
        [sys.executable, "-P", "-c", STARTER, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert parent.stdout is not None
    assert parent.stdin is not None
    plant = psutil.Process(int(parent.stdout.readline()))
    family = [plant, *plant.children(recursive=True)]
    assert len(family) == 5
    os.kill(parent.pid, signal.SIGKILL)
    parent.wait()
    parent.stdin.close()
    parent.stdout.close()
    assert wait_gone(family) == []


@pytest.mark.crash
def test_servers_end_when_the_plant_is_killed(tmp_path: Path) -> None:
    from collector.demo import start_plant

    plant = start_plant(tmp_path, seed=3)
    servers = psutil.Process(plant.process.pid).children(recursive=True)
    assert len(servers) == 4
    plant.process.kill()
    plant.stop()
    assert wait_gone(servers) == []


@pytest.mark.crash
def test_plant_ends_when_a_server_is_lost(tmp_path: Path) -> None:
    from collector.demo import start_plant

    plant = start_plant(tmp_path, seed=3)
    psutil.Process(plant.process.pid).children()[0].kill()
    assert plant.process.wait(PATIENCE_S) == 2
    plant.stop()
