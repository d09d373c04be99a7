"""The drill: back up a service under load, lose everything, restore, prove, and see the same trends. The service runs as under a
service manager, and says to it what sd_notify(3) asks for."""

from __future__ import annotations

import shutil
import signal
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from checks.samples import GOOD, Samples
from collector.cli import exits
from collector.cli.main import main
from collector.clock import SystemClock
from collector.history.sqlite import open_store
from collector.history.store import Trend
from config.load import load_site
from tests.service.gauge import FakeGauge
from tests.service.test_run import SITE, START_LIMIT_S, Child, metric, stored, wait_for

DAY_S = 86400


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Path]:
    with FakeGauge(200.0, 201.0) as gauge:
        path = tmp_path / "site.yaml"
        path.write_text(SITE.format(port=gauge.port))
        yield path


def past(site: Path, data: Path, midnight: int) -> None:
    """An hour of each of two days, sealed, and ten minutes of yesterday's end that may still be hot."""
    store = open_store(data, load_site(site).site, clock=SystemClock())
    for begin, rows in ((midnight - 3 * DAY_S, 3600), (midnight - 2 * DAY_S, 3600), (midnight - 600, 600)):
        wave = 200.0 + 50.0 * np.sin(np.arange(rows) / 97.0)
        flows = {"flow": wave, "plc_flow": wave + 1.0}
        quality = {role: np.full(rows, GOOD, np.uint8) for role in flows}
        seconds = np.arange(begin, begin + rows, dtype=np.int64)
        store.append([Samples(loop="TB-07", time_s=seconds, values=flows, quality=quality, flags=np.zeros(rows, np.uint8))])
    assert store.seal(float(midnight)) == 2
    store.close()


def trends(site: Path, data: Path, spans: list[tuple[int, int]]) -> list[Trend]:
    store = open_store(data, load_site(site).site, clock=SystemClock(), read_only=True)
    try:
        return [store.trend("TB-07", "flow", begin, end) for begin, end in spans]
    finally:
        store.close()


def alike(one: Trend, other: Trend) -> bool:
    columns = ("time_s", "minimum", "mean", "maximum")
    return one.step_s == other.step_s and all(
        np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True) for name in columns
    )


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    """The socket of a service manager whose watchdog wants to hear something every three seconds."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.settimeout(START_LIMIT_S)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", "3000000")
        yield listening


def test_back_up_under_load_lose_everything_restore_and_see_the_same(
    site: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str], manager: socket.socket
) -> None:
    data, to = tmp_path / "data", tmp_path / "backups"
    began = int(time.time())
    midnight = began // DAY_S * DAY_S
    past(site, data, midnight)
    child = Child(site, data)
    page = child.page()
    assert manager.recv(4096).decode().startswith("READY=1\nSTATUS=1 loop: ")
    assert manager.recv(4096).decode().startswith("WATCHDOG=1\nSTATUS=1 loop: ")
    wait_for(page, "samples_closed", 4)
    closed = stored(site, data)
    spans = [(midnight - 3 * DAY_S, midnight), (midnight - 600, midnight), (began - 60, closed[-1] + 1)]
    before = trends(site, data, spans)
    assert all(len(found.time_s) > 1 for found in before)
    for _ in range(2):
        assert main(["backup", str(site), "--data", str(data), "--to", str(to), "--keep", "1"]) == exits.NO_FINDING, (
            capfd.readouterr()
        )
        wait_for(page, "samples_closed", metric(page, "samples_closed") + 2)
    said = capfd.readouterr().out
    assert "(2 of them new here)" in " ".join(said.split())
    assert "(0 of them new here)" in " ".join(said.split())
    child.end(signal.SIGKILL)
    shutil.rmtree(data)

    assert main(["restore", str(site), "--data", str(data), "--from", str(to)]) == exits.NO_FINDING
    assert "all as they were written" in " ".join(capfd.readouterr().out.split())
    assert main(["history", "verify", str(site), "--data", str(data)]) == exits.NO_FINDING
    assert stored(site, data)[: len(closed)] == closed

    assert all(alike(one, other) for one, other in zip(before, trends(site, data, spans), strict=True))
    assert main(["restore", str(site), "--data", str(data), "--from", str(to)]) == exits.BAD_INPUT
    assert "there is a history here already" in capfd.readouterr().err


@pytest.mark.parametrize(
    ("command", "options", "says"),
    [
        ("backup", ("--to", "{data}/inside"), "inside the data folder"),
        ("backup", ("--to", "{to}", "--keep", "0"), "0 backups cannot be kept"),
        ("backup", ("--to", "{to}"), "there is no history here"),
        ("restore", ("--from", "{to}"), "there is no backup here"),
    ],
)
def test_what_cannot_be_done_is_said(
    site: Path, tmp_path: Path, command: str, options: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    given = [option.format(data=tmp_path / "data", to=tmp_path / "to") for option in options]
    assert main([command, str(site), "--data", str(tmp_path / "data"), *given]) == exits.BAD_INPUT
    told = capsys.readouterr().err
    assert says in told
    assert "fix:" in told


@pytest.mark.parametrize("command", ["backup", "restore"])
def test_a_database_of_its_own_is_copied_by_its_own_tools(
    site: Path, tmp_path: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    site.write_text(site.read_text() + f"history: {{database_env: DATABASE, archive: {tmp_path / 'archive'}}}\n")
    folder = "--to" if command == "backup" else "--from"
    assert main([command, str(site), "--data", str(tmp_path / "data"), folder, str(tmp_path / "to")]) == exits.BAD_INPUT
    assert "pg_" in capsys.readouterr().err
