"""What publishing costs: processor time of the child for one beat (1 s), as a share of a core, by loops and clients.

.venv/bin/python -P tests/bench/publishing.py [LOOPS] [CLIENTS]
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
from typing import Any

import psutil
from asyncua.client.client import Client

from checks.result import Verdict
from collector.clock import SystemClock
from collector.live import LiveState
from collector.publish.interface import NAMESPACE
from collector.publish.publisher import Publisher
from config.publish import ModbusPublish, OpcUaPublish, Publish
from tests.collector.web import plant

BEATS = 40


class _Deaf:
    def datachange_notification(self, node: Any, value: Any, data: Any) -> None:
        """Take what comes."""


async def _watched(url: str, loops: list[str], clients: int) -> list[Client]:
    """Clients that watch the verdict and the fitness of every loop, up to 100 of them."""
    out = []
    for _ in range(clients):
        client = Client(url)
        await client.connect()
        index = await client.get_namespace_index(NAMESPACE)
        nodes = [
            client.get_node(f"ns={index};s={loop}/{name}") for loop in loops[:100] for name in ("Verdict", "FitForControl")
        ]
        subscription = await client.create_subscription(1000, _Deaf())
        await subscription.subscribe_data_change(nodes)
        out.append(client)
    return out


async def measure(loops: int, clients: int) -> tuple[float, float]:
    """Share of a core, and memory of the child [MB]."""
    clock, site = SystemClock(), plant.site()
    part = site.loops["TB-07"]
    names = [f"B{number:03d}" for number in range(loops)]
    publish = Publish(fit_after=0.0, opcua=OpcUaPublish(port=0), modbus=ModbusPublish(port=0))
    live = LiveState(site.model_copy(update={"loops": dict.fromkeys(names, part), "publish": publish}), plant.SHA)
    publisher = Publisher(live, clock)
    at = await publisher.open()
    watching = await _watched(at["opcua"], names, clients)
    assert publisher._child is not None
    child = psutil.Process(publisher._child.pid)
    before = sum(child.cpu_times()[:2])
    for beat in range(BEATS):
        for number, name in enumerate(names):
            if number % 10 == beat % 10:  # blocks of 10 s
                live.take_evaluation(plant.evaluation(name, Verdict.OK, int(clock.now())))
        await publisher._tell()
        await asyncio.sleep(1.0 if clients else 0.05)  # what is sent to clients goes by the clock
    used = sum(child.cpu_times()[:2]) - before
    memory = child.memory_info().rss / 1e6
    for client in watching:
        with contextlib.suppress(Exception):
            await client.disconnect()
    await publisher.close()
    return used / BEATS, memory


def main() -> None:
    """Print one line a case."""
    given = [int(text) for text in sys.argv[1:3]]
    cases = [(given[0], given[1] if len(given) > 1 else 0)] if given else [(3, 0), (50, 0), (50, 50), (500, 0)]
    for loops, clients in cases:
        share, memory = asyncio.run(measure(loops, clients))
        print(f"{loops:4d} loops, {clients:2d} OPC UA clients: {100 * share:.1f} % of a core, {memory:.0f} MB")


if __name__ == "__main__":
    main()
