"""The commands beside a running service and a device that serves one client only: without borrowing it does not answer, with it does."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
import uvicorn

from collector.cli import exits
from collector.cli.main import main
from collector.clock import SystemClock
from collector.live import EndpointState, LiveState
from collector.sources.build import build_pollers
from collector.web.app import create_app
from config.load import parse_site
from tests.collector.commissioning.test_survey_page import OneClient
from tests.collector.web import plant

LONG, STEP = 30.0, 0.05

SITE = """
schema: 1
site: terminal
web: {{host: 127.0.0.1, port: {web}}}
endpoints:
  gauge: {{protocol: modbus, host: 127.0.0.1, port: {device}, period: 50 ms, timeout: 20 ms}}
loops:
  TB-07:
    gauge: {{range: {{high: 420 t/h}}}}
    plc: {{range: {{high: 420 t/h}}}}
    tags:
      flow: {{endpoint: gauge, address: 0}}
"""


@dataclass
class Service:
    """A service of one loop whose gauge serves one client, in a thread of its own."""

    file: Path
    device: OneClient
    live: LiveState


@contextmanager
def running(folder: Path) -> Iterator[Service]:
    """Device, pollers and REST, until the block ends."""
    ready, found = threading.Event(), []
    listening = socket.create_server(("127.0.0.1", 0))
    web = listening.getsockname()[1]
    loop, stop = asyncio.new_event_loop(), asyncio.Event()

    async def serve() -> None:
        async with OneClient() as device:
            text = SITE.format(web=web, device=device.port)
            (folder / "site.yaml").write_text(text, encoding="utf-8")
            site = parse_site(text, "site.yaml").site
            live = LiveState(site, plant.SHA)
            pollers = build_pollers(site, live.take_readings, SystemClock(), live.endpoints, lambda kind, name, words: None)
            app = create_app(live, None, plant.MemoryDesk(), SystemClock(), port=web)
            server = uvicorn.Server(uvicorn.Config(app, log_level="critical", lifespan="off"))
            tasks = [asyncio.create_task(poller.run(stop)) for poller in pollers]
            tasks.append(asyncio.create_task(server.serve(sockets=[listening])))
            for _ in range(round(LONG / STEP)):
                if server.started and live.endpoints["gauge"].state is EndpointState.UP:
                    break
                await asyncio.sleep(STEP)
            found.append(Service(folder / "site.yaml", device, live))
            ready.set()
            await stop.wait()
            server.should_exit = True
            await asyncio.gather(*tasks)

    thread = threading.Thread(target=loop.run_until_complete, args=(serve(),))
    thread.start()
    try:
        assert ready.wait(LONG)
        assert found[0].live.endpoints["gauge"].state is EndpointState.UP
        yield found[0]
    finally:
        loop.call_soon_threadsafe(stop.set)
        thread.join(LONG)
        loop.close()


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with running(tmp_path_factory.mktemp("service")) as made:
        yield made


def scan(service: Service, out: Path, *options: str) -> int:
    command = ["survey", str(service.file), "--scan", "0-49", "--endpoint", "gauge", "--rate", "50", "--json", str(out)]
    return main([*command, *options])


def test_beside_the_service_the_device_does_not_answer(
    service: Service, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = service.device.refused
    assert scan(service, tmp_path / "scan.json") == exits.NOTHING_EVALUATED
    said = " ".join(capsys.readouterr().out.split())
    assert "is no other client connected?" in said
    assert service.device.refused > before


def test_with_the_connection_borrowed_it_is_scanned_and_then_given_back(service: Service, tmp_path: Path) -> None:
    before, out = service.device.refused, tmp_path / "scan.json"
    assert scan(service, out, "--borrow") == exits.NO_FINDING
    assert len(json.loads(out.read_text(encoding="utf-8"))["registers"]["0"]) == 50
    assert service.device.refused == before
    assert service.live.endpoints["gauge"].lent_until == 0.0
