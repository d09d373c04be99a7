"""The service as a child process on a gauge of its own: it starts, keeps every closed second, and ends in time."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

import collector
from checks.samples import join
from collector.cli import exits
from collector.cli.main import main
from collector.clock import SystemClock
from collector.history.sqlite import open_store
from config.load import load_site
from tests.service.gauge import FakeGauge

ROOT = Path(collector.__file__).parent.parent
END_LIMIT_S = 5.0
LOOK_S, LOOKS = 0.1, 300
START_LIMIT_S = 120.0
SITE = """
schema: 1
site: terminal
endpoints:
  gauge: {{protocol: modbus, host: 127.0.0.1, port: {port}, period: 1 s, timeout: 0.3 s}}
loops:
  TB-07:
    title: Ship loader belt
    gauge:
      range: {{low: 0 t/h, high: 420 t/h}}
    plc:
      range: {{low: 0 t/h, high: 420 t/h}}
    tags:
      flow: {{endpoint: gauge, address: 0, type: float32}}
      plc_flow: {{endpoint: gauge, address: 2, type: float32}}
"""


class Child:
    """`python -m collector run` on a site file."""

    def __init__(self, site: Path, data: Path, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-m", "collector", "run", str(site), "--data", str(data), "--port", "0", *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )

    def page(self) -> str:
        """The address of the page, as soon as it is printed."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            found = re.search(r"http://127\.0\.0\.1:\d+", line)
            if found:
                return found.group()
        raise AssertionError(f"no page: {self.process.communicate(timeout=10)}")

    def end(self, sign: signal.Signals) -> tuple[int, float, str]:
        """Send a signal; the exit code, the time it took [s], and what stood on stderr.

        The time is counted in looks: where others have the processor, they come late, as the end does.
        """
        self.process.send_signal(sign)
        looks = 0
        while self.process.poll() is None and looks < LOOKS:
            looks += 1
            time.sleep(LOOK_S)
        _, said = self.process.communicate(timeout=30)
        return self.process.returncode, looks * LOOK_S, said


def metric(page: str, name: str) -> float:
    """A figure of /metrics, 0 where it is not there."""
    body = httpx.get(f"{page}/metrics", timeout=60, trust_env=False).text
    found = re.search(rf"^\w*{name}\w*(?:{{[^}}]*}})? ([0-9.e+]+)$", body, re.MULTILINE)
    return float(found.group(1)) if found else 0.0


def wait_for(page: str, name: str, least: float) -> None:
    """Poll /metrics until a figure has grown to `least`."""
    limit = time.monotonic() + START_LIMIT_S
    while metric(page, name) < least:
        assert time.monotonic() < limit, f"{name} stays below {least}"
        time.sleep(0.2)


@pytest.fixture
def gauge() -> Iterator[FakeGauge]:
    with FakeGauge(200.0, 201.0) as served:
        yield served


@pytest.fixture
def site(gauge: FakeGauge, tmp_path: Path) -> Path:
    path = tmp_path / "site.yaml"
    path.write_text(SITE.format(port=gauge.port))
    return path


def stored(site: Path, data: Path) -> list[int]:
    loaded = load_site(site)
    store = open_store(data, loaded.site, clock=SystemClock(), read_only=True)
    try:
        parts = list(store.scan("TB-07", 0, 2**40))
    finally:
        store.close()
    return join(parts).time_s.tolist() if parts else []


def ended_in_order(site: Path, data: Path, sign: signal.Signals, code: int, before: list[int]) -> list[int]:
    """A life of the service that a signal ends in time; the seconds it has stored behind those before it, none lost, none missed."""
    child = Child(site, data)
    page = child.page()
    wait_for(page, "samples_closed", 3)
    closed = metric(page, "samples_closed")
    ended, took, said = child.end(sign)
    assert ended == code, said
    assert took < END_LIMIT_S
    times = stored(site, data)
    assert times[: len(before)] == before
    new = times[len(before) :]
    assert new == list(range(new[0], new[0] + len(new)))
    assert len(new) >= closed
    assert before == [] or new[0] > before[-1]
    for line in said.splitlines():
        json.loads(line)
    assert "task-died" not in said
    assert "Traceback" not in said
    return times


@pytest.mark.waits
def test_ends_in_time_with_every_closed_second_goes_on_from_there_and_loses_no_more_when_killed(
    site: Path, gauge: FakeGauge, tmp_path: Path
) -> None:
    """Three lives: ended by SIGTERM, by SIGINT under a changed site file, and killed."""
    data = tmp_path / "data"
    first = ended_in_order(site, data, signal.SIGTERM, exits.NO_FINDING, [])
    site.write_text(site.read_text().replace("Ship loader belt", "Ship loader belt 2"))
    second = ended_in_order(site, data, signal.SIGINT, exits.INTERRUPTED, first)
    store = open_store(data, load_site(site).site, clock=SystemClock(), read_only=True)
    changes = [event for event in store.events(0, 2**40) if event.kind == "config-change"]
    store.close()
    assert len(changes) == 1
    assert changes[0].old != changes[0].new == load_site(site).sha256
    child = Child(site, data)
    wait_for(child.page(), "samples_closed", 3)
    child.end(signal.SIGKILL)
    times = stored(site, data)
    assert times[: len(second)] == second
    third = times[len(second) :]
    assert len(third) >= 2
    assert third == list(range(third[0], third[0] + len(third)))
    assert gauge.others == 0


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("schema: 1", "schema: 1\nhost: 0.0.0.0"), "site.yaml"),
        (("site: terminal", "site: terminal\nweb: {host: 0.0.0.0}"), "127.0.0.1"),
    ],
)
def test_bad_site_file_is_exit_code_2_and_one_message(
    site: Path, tmp_path: Path, change: tuple[str, str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    site.write_text(site.read_text().replace(*change))
    assert main(["run", str(site), "--data", str(tmp_path / "data"), "--port", "0"]) == exits.BAD_INPUT
    errors = capsys.readouterr().err
    assert said in errors
    assert "Traceback" not in errors
