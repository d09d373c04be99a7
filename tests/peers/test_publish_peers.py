"""What is published, read by programmes of other people: node-opcua (npm) and mbpoll (Debian), from a running service."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import struct
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from collector.demo import PlantProcess, start_plant
from collector.publish.interface import NAMESPACE
from collector.publish.opcua_server import APPLICATION_URI
from tests.collector.sources.authority import application_pair
from tests.peers.peer import Peer, node, patient

pytestmark = [pytest.mark.peers, pytest.mark.xdist_group("published")]

SAYS = re.compile(r"^published over (opcua|modbus): (\S+)$", re.M)
WITHIN_S = 150.0


@dataclass
class Running:
    """A service that publishes, over the demo plant."""

    plant: PlantProcess
    process: subprocess.Popen[str]
    at: dict[str, str]
    folder: Path

    def registers(self, first: int, count: int) -> tuple[int, ...]:
        """Read with mbpoll: 16-bit registers, addresses from 0."""
        port = self.at["modbus"].rpartition(":")[2]
        options = ["-m", "tcp", "-p", port, "-a", "1", "-0", "-t", "3", "-1", "-q", "-o", "5"]
        said = subprocess.run(
            ["mbpoll", *options, "-r", str(first), "-c", str(count), "127.0.0.1"], capture_output=True, text=True, check=True
        ).stdout
        found = re.findall(r"^\[(\d+)\]:\s+(\d+)", said, re.M)
        assert [int(address) for address, _ in found] == list(range(first, first + count)), said
        return tuple(int(value) for _, value in found)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    if shutil.which("mbpoll") is None:
        raise RuntimeError("mbpoll is not installed (Debian: mbpoll)")
    folder = tmp_path_factory.mktemp("published")
    own = application_pair(folder, "own", APPLICATION_URI)
    own.key.chmod(0o600)
    plant = start_plant(folder)
    site = plant.site_path
    site.write_text(
        site.read_text()
        + f"""publish:
  opcua:
    port: 0
    security: [none, Basic256Sha256]
    certificate: {own.certificate.name}
    key: {own.key.name}
  modbus: {{port: 0}}
"""
    )
    command = [sys.executable, "-P", "-m", "collector", "run", str(site), "--data", str(folder / "data"), "--port", "0"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    assert process.stdout is not None
    said = ""
    try:
        while len(SAYS.findall(said)) < 2:
            line = process.stdout.readline()
            assert line, f"the service ended: {said}"
            said += line
        yield Running(plant, process, dict(SAYS.findall(said)), folder)
    finally:
        process.send_signal(signal.SIGCONT)
        process.terminate()
        process.wait(20.0)
        process.stdout.close()
        plant.stop()


@pytest.fixture(scope="module")
def client(running: Running) -> Iterator[Peer]:
    with node("opcua_client.js", running.at["opcua"], NAMESPACE, "None") as peer:
        yield peer


def asked(client: Peer, **order: Any) -> Any:
    key = next(iter(order))
    return json.loads(client.ask(f'{{"{key}"', json.dumps(order)))[key]


def loop_block(running: Running) -> tuple[int, ...]:
    return running.registers(16, 64)


def test_1_a_healthy_loop_is_read_by_both(running: Running, client: Peer) -> None:
    head = running.registers(0, 16)
    assert (head[0], head[2:6]) == (1, (1, 3, 64, 16))
    patient("the loop agrees", lambda: asked(client, read=["TB-07/Verdict"])[0][:2] == [1, "Good"], WITHIN_S)
    cells = loop_block(running)
    assert cells[1:3] == (0, 1)
    assert struct.pack(">20H", *cells[16:36]).rstrip(b"\0") == b"TB-07"
    beats = [asked(client, read=["Heartbeat"])[0][0]]
    patient("the heart beats", lambda: asked(client, read=["Heartbeat"])[0][0] > beats[0], WITHIN_S)
    ((ends, status, _), (unit, _, _)) = asked(
        client, read=["TB-07/DeviationRate/EURange", "TB-07/DeviationRate/EngineeringUnits"]
    )
    assert (ends["low"], ends["high"], status) == (-420, 420, "Good")
    assert unit["unitId"] == int.from_bytes(b"E18", "big")  # UNECE Recommendation 20 by OPC 10000-8, 5.6.3


def test_2_neither_can_write(running: Running, client: Peer) -> None:
    assert asked(client, write="TB-07/Verdict", value=2) == "BadUserAccessDenied"
    assert asked(client, write="TB-07/FitForControlCode", value=1) == "BadUserAccessDenied"
    before = running.registers(1, 1)[0]
    port = running.at["modbus"].rpartition(":")[2]
    for table in ("0", "4"):
        command = ["mbpoll", "-m", "tcp", "-p", port, "-a", "1", "-0", "-r", "16", "-t", table, "-1", "127.0.0.1", "1"]
        said = subprocess.run(command, capture_output=True, text=True, check=False)
        assert said.returncode != 0
        assert "Illegal function" in said.stdout + said.stderr
    assert loop_block(running)[0] in (0, 1)
    patient("the heart goes on beating", lambda: running.registers(1, 1)[0] > before, WITHIN_S)


def test_3_a_fault_of_the_plant_arrives_at_both(running: Running, client: Peer) -> None:
    asked_names = ["TB-07/Verdict", "TB-07/Ne107Status", "TB-07/DeviatingLink", "TB-07/Cause", "TB-07/FitForControl"]
    running.plant.set_fault("TB-07", "zero-counts", True)
    try:
        patient("the fault is told", lambda: asked(client, read=["TB-07/Verdict"])[0][0] == 3, WITHIN_S)
        verdict, ne107, link, cause, fit = asked(client, read=asked_names)
        assert verdict[:2] == [3, "Good"]
        assert ne107[:2] == [5, "Good"]
        assert link[:2] == [1, "Good"]
        assert cause[:2] == ["zero-counts", "Good"]
        assert fit[:2] == [None, "Bad"]
        cells = loop_block(running)
        assert (cells[0], cells[1:5]) == (0, (0, 3, 5, 1))
        assert struct.pack(">28H", *cells[36:64]).rstrip(b"\0") == b"zero-counts"
        assert asked(client, read=["TB-08/Cause"])[0][0] != "zero-counts"
    finally:
        running.plant.set_fault("TB-07", "zero-counts", False)


def test_4_with_a_policy(running: Running) -> None:
    pair = application_pair(running.folder, "plc", "urn:plc")
    arguments = [
        running.at["opcua"],
        NAMESPACE,
        "Basic256Sha256",
        str(running.folder / "pki"),
        str(pair.certificate),
        str(pair.key),
    ]
    with node("opcua_client.js", *arguments) as secured:
        (value, status, _) = asked(secured, read=["InterfaceVersion"])[0]
        assert (value, status) == (1, "Good")
        assert asked(secured, write="TB-07/Verdict", value=1) == "BadUserAccessDenied"


def test_5_a_service_that_stalls_is_told_by_what_it_left_behind(running: Running, client: Peer) -> None:
    """SIGSTOP: the service does not move, as on a machine that hangs; what publishes goes on, and takes everything back."""
    client.ask('{"watch"', json.dumps({"watch": "TB-08/Verdict"}))
    patient("it is read", lambda: asked(client, read=["TB-08/Verdict"])[0][1] in ("Good", "Uncertain"), WITHIN_S)
    os.kill(running.process.pid, signal.SIGSTOP)
    try:
        patient("OPC UA says so", lambda: asked(client, read=["TB-08/Verdict"])[0][1] == "BadNoCommunication", WITHIN_S)
        patient("Modbus says so", lambda: running.registers(2, 1) == (0,), WITHIN_S)
        assert loop_block(running)[:3] == (0, 2, 0)
        beat = running.registers(1, 1)
        assert asked(client, read=["Heartbeat", "TB-08/FitForControlCode"]) == [
            [None, "BadNoCommunication", asked(client, read=["Heartbeat"])[0][2]],
            [0, "Uncertain", asked(client, read=["TB-08/FitForControlCode"])[0][2]],
        ]
        assert running.registers(1, 1) == beat
    finally:
        os.kill(running.process.pid, signal.SIGCONT)
    patient("it comes back", lambda: asked(client, read=["Heartbeat"])[0][1] == "Good", WITHIN_S)
    patient("and the loop, too", lambda: asked(client, read=["TB-08/Verdict"])[0][1] in ("Good", "Uncertain"), WITHIN_S)
    assert any('"status":"BadNoCommunication"' in line for line in client.said if line.startswith('{"watch"'))


def test_6_the_service_ends_and_nothing_listens_any_more(running: Running) -> None:
    running.process.terminate()
    assert running.process.wait(20.0) == 0
    port = running.at["modbus"].rpartition(":")[2]
    said = subprocess.run(
        ["mbpoll", "-m", "tcp", "-p", port, "-a", "1", "-0", "-r", "0", "-t", "3", "-1", "127.0.0.1"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert said.returncode != 0
