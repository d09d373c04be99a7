"""The reads of a polled site and nothing else: pymodbus and asyncua, the same requests at the same beat, no decoding.

    python -P -m tests.bench.polling_bare PARENT_PID SITE_PICKLE

Prints `{"ready": true}` when every connection stands; `report` on stdin makes it print what it has read since the last time.
"""

from __future__ import annotations

import asyncio
import logging
import pickle
import sys
import zlib
from collections.abc import Awaitable, Callable
from pathlib import Path

from asyncua import ua
from asyncua.client.client import Client
from asyncua.ua.attribute_ids import AttributeIds
from pymodbus.client import AsyncModbusTcpClient

from collector.clock import SystemClock
from collector.sources.build import silence_libraries
from collector.sources.failure import LinkError
from collector.sources.groups import Block, places_of, plan
from collector.sources.opcua_source import OpcUaSource
from config.model import ModbusEndpoint, OpcUaEndpoint, Site
from deploy.plant.child import die_with, say

COUNTS = {"gauge_polls": 0, "errors": 0}
LATENESS: list[float] = []
TRIES = 20
_READS = {3: "read_holding_registers", 4: "read_input_registers"}


async def beat(name: str, period: float, read: Callable[[], Awaitable[None]]) -> None:
    """Read at deadlines of its own phase; slots that were missed are left out."""
    loop = asyncio.get_running_loop()
    due = loop.time() + zlib.crc32(name.encode()) / 2**32 * period
    while True:
        await asyncio.sleep(max(0.0, due - loop.time()))
        LATENESS.append(loop.time() - due)
        try:
            await read()
        except Exception:  # noqa: BLE001 - counted and printed
            COUNTS["errors"] += 1
        due += max(1, int((loop.time() - due) // period) + 1) * period


async def gauge(site: Site, name: str, endpoint: ModbusEndpoint, tasks: list[asyncio.Task[None]]) -> None:
    """Connect to a gauge and begin to read it."""
    client = AsyncModbusTcpClient(endpoint.host, port=endpoint.port or 502, timeout=2.0, retries=0, reconnect_delay=0)
    await client.connect()
    for period, blocks in plan(endpoint, places_of(site, name)).blocks.items():

        async def read(period: float = period, blocks: tuple[Block, ...] = tuple(blocks)) -> None:
            for block in blocks:
                ask = getattr(client, _READS[block.function])
                reply = await ask(block.start, count=block.count, device_id=block.unit)
                assert len(reply.registers) == block.count
            COUNTS["gauge_polls"] += period == 1.0

        tasks.append(asyncio.create_task(beat(f"{name}/{period}", period, read)))


async def _patiently(connect: Callable[[], Awaitable[None]]) -> None:
    """The one server of a wide site opens hundreds of sessions at the start, and answers some of them late."""
    for left in range(TRIES - 1, -1, -1):
        try:
            await connect()
        except (LinkError, TimeoutError, OSError):
            if not left:
                raise
            await asyncio.sleep(1.0)
        else:
            return


async def station(site: Site, name: str, endpoint: OpcUaEndpoint, tasks: list[asyncio.Task[None]]) -> None:
    """Open a session with a PLC and begin to read it."""
    clock = SystemClock()
    source = OpcUaSource(name, endpoint, site, clock)
    await _patiently(source.connect)
    groups = {period: source.nodes(period) for period in source.periods}
    await source.disconnect()
    client = Client(endpoint.url, timeout=endpoint.timeout, watchdog_intervall=5.0)
    await _patiently(client.connect)
    for period, nodes in groups.items():

        async def read(nodes: list[ua.NodeId] = nodes) -> None:
            got = await client.uaclient.read_attributes(nodes, AttributeIds.Value)
            assert len(got) == len(nodes)

        tasks.append(asyncio.create_task(beat(f"{name}/{period}", period, read)))


async def serve(site: Site) -> None:
    """Read until stdin closes."""
    silence_libraries()
    tasks: list[asyncio.Task[None]] = []
    for name, endpoint in site.endpoints.items():
        if isinstance(endpoint, ModbusEndpoint):
            await gauge(site, name, endpoint, tasks)
        else:
            await station(site, name, endpoint, tasks)
    say({"ready": True})
    while await asyncio.to_thread(sys.stdin.readline):
        say({**COUNTS, "lateness": sorted(LATENESS)})
        COUNTS.update(gauge_polls=0, errors=0)
        LATENESS.clear()


def main() -> None:
    """Entry of the process."""
    die_with(int(sys.argv[1]))
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    asyncio.run(serve(pickle.loads(Path(sys.argv[2]).read_bytes())))


if __name__ == "__main__":
    main()
