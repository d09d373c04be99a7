"""The drill: back up a service under load, lose everything, restore, prove, and see the same trends."""

from __future__ import annotations

import shutil
import signal
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from checks.samples import GOOD, Samples
from collector.cli import exits
from collector.cli.main import main
from collector.clock import SystemClock
from collector.history.sqlite import open_store
from config.load import load_site
from tests.service.gauge import FakeGauge
from tests.service.test_run import SITE, Child, metric, stored, wait_for

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


def iso(time_s: int) -> str:
    return datetime.fromtimestamp(time_s, UTC).isoformat()


def trends(page: str, spans: list[tuple[int, int]]) -> list[dict[str, Any]]:
    out = []
    for begin, end in spans:
        query: dict[str, str | int] = {"role": "flow", "from": iso(begin), "to": iso(end)}
        answer = httpx.get(f"{page}/api/v1/loops/TB-07/trend", params=query, timeout=10, trust_env=False)
        out.append(answer.raise_for_status().json())
    return out


def test_back_up_under_load_lose_everything_restore_and_see_the_same(
    site: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    data, to = tmp_path / "data", tmp_path / "backups"
    began = int(time.time())
    midnight = began // DAY_S * DAY_S
    past(site, data, midnight)
    child = Child(site, data)
    page = child.page()
    wait_for(page, "samples_closed", 4)
    closed = stored(site, data)
    spans = [(midnight - 3 * DAY_S, midnight), (midnight - 600, midnight), (began - 60, closed[-1] + 1)]
    before = trends(page, spans)
    assert all(len(found["time"]) > 1 for found in before)
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

    child = Child(site, data)
    page = child.page()
    wait_for(page, "samples_closed", 2)
    assert trends(page, spans) == before
    assert main(["restore", str(site), "--data", str(data), "--from", str(to)]) == exits.BAD_INPUT
    assert "there is a history here already" in capfd.readouterr().err
    code, _, errors = child.end(signal.SIGTERM)
    assert code == exits.NO_FINDING, errors


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
