"""`replay` as a user runs it: exit codes, the text, the JSON, and nothing that opens a socket."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest

from collector.cli import exits, main
from collector.replay.report import schema
from tests.collector.cli.test_main import python

T0 = 1_800_000_000
SITE = """
schema: 1
site: terminal
loops:
  TB-07:
    gauge: {range: {high: 420 t/h}}
    plc: {range: {high: 420 t/h}}
    tags:
      flow: {}
      plc_flow: {}
"""
SOCKETS = {"pymodbus", "asyncua", "fastapi", "uvicorn", "starlette", "httpx", "sqlalchemy", "apscheduler", "serial", "aiohttp"}


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.yaml"
    path.write_text(SITE)
    return path


def export(folder: Path, rows: int = 1800, ratio: float = 1.0) -> Path:
    """Half an hour of flow that runs through its range (seed 3), the PLC showing `ratio` times the gauge."""
    random = np.random.default_rng(3)
    flow = 210.0 + 150.0 * np.sin(np.arange(rows) / 200.0) + random.normal(0.0, 1.0, rows)
    path = folder / "export.csv"
    pd.DataFrame({"time": T0 + np.arange(rows), "flow": flow, "plc_flow": flow * ratio}).to_csv(path, index=False)
    return path


def test_report_fits_80_columns_and_the_json_keeps_to_its_schema(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out.json"
    code = main.main(["replay", str(site), "--data", str(export(tmp_path)), "--json", str(out)])
    shown = capsys.readouterr()
    assert max(map(len, shown.out.splitlines())) <= 80
    assert "links could not be evaluated" in shown.out.splitlines()[-1]
    assert shown.err == ""
    found = json.loads(out.read_text())
    jsonschema.Draft202012Validator(schema()).validate(found)
    assert found["from"] == "2027-01-15T08:00:00Z"
    assert found["to"] == "2027-01-15T08:30:00Z"
    findings = found["loops"][0]["findings"]
    assert code == (exits.FINDINGS if findings else exits.NO_FINDING)


def test_json_to_stdout_is_the_report_and_nothing_else(site: Path, tmp_path: Path) -> None:
    ran = python("-m", "collector", "replay", str(site), "--data", str(export(tmp_path, 300)), "--json", "-")
    jsonschema.Draft202012Validator(schema()).validate(json.loads(ran.stdout))
    assert ran.stderr == ""


def test_same_file_gives_the_same_bytes(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = export(tmp_path, 600)
    outs = [tmp_path / name for name in ("first.json", "second.json")]
    for out in outs:
        main.main(["replay", str(site), "--data", str(data), "--json", str(out)])
    assert outs[0].read_bytes() == outs[1].read_bytes()


def test_file_of_a_few_seconds_is_exit_code_3(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main.main(["replay", str(site), "--data", str(export(tmp_path, 3))]) == exits.NOTHING_EVALUATED


def test_bad_file_is_exit_code_2_with_one_message(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "export.csv"
    path.write_text(f"time,flow\n{T0},1\n{T0},2\n")
    assert main.main(["replay", str(site), "--data", str(path)]) == exits.BAD_INPUT
    said = capsys.readouterr().err
    assert "line 3" in said
    assert "Traceback" not in said


def test_report_that_cannot_be_written_is_exit_code_2(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "nowhere" / "out.json"
    data = export(tmp_path, 100)
    assert main.main(["replay", str(site), "--data", str(data), "--json", str(out)]) == exits.BAD_INPUT
    assert "cannot be written" in capsys.readouterr().err


def test_missing_arguments_are_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert main.main(["replay"]) == exits.BAD_INPUT
    assert "--data FILE" in capsys.readouterr().err


def test_schema_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main.main(["replay", "--schema"]) == exits.NO_FINDING
    assert json.loads(capsys.readouterr().out) == schema()


@pytest.mark.parametrize("command", ["replay", "validate"])
def test_offline_command_opens_no_socket_and_imports_no_socket_library(site: Path, tmp_path: Path, command: str) -> None:
    data = export(tmp_path, 100)
    arguments = ["replay", str(site), "--data", str(data)] if command == "replay" else ["validate", str(site)]
    code = (
        "import socket, sys\n"
        "def refuse(*a, **k): raise SystemExit('a socket was opened')\n"
        "socket.socket.connect = socket.socket.bind = refuse\n"
        "from collector.cli.main import main\n"
        f"main({arguments!r})\n"
        f"print(sorted({SOCKETS!r} & {{name.split('.')[0] for name in sys.modules}}), file=sys.stderr)"
    )
    ran = python("-c", code)
    assert ran.stderr.strip() == "[]", ran.stderr


def test_ledger_beside_the_site_file_judges_the_weight(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A sound chain whose four lots of 520 t were booked 3 % low; 2027-01-15T08:00Z is the begin of the recording."""
    rows = [
        f"material_test,TB-07,2027-01-{day} 04:00,2027-01-{day} 06:00,520,1,{504.4 + 0.3 * (day % 3)}"
        for day in (10, 11, 12, 13)
    ]
    (tmp_path / "ledger.csv").write_text(
        "kind,loop,begin,end,reference [t],uncertainty [t],gauge [t]\n" + "\n".join(rows) + "\n"
    )
    site.write_text(SITE + "ledger: ledger.csv\n")
    out = tmp_path / "out.json"
    assert main.main(["replay", str(site), "--data", str(export(tmp_path)), "--json", str(out)]) == exits.FINDINGS
    shown = " ".join(capsys.readouterr().out.split())
    assert "weight differs the gauge differs from the reference by -2.9" in shown
    assert "Not ruled out: calibration-factor" in shown
    (finding,) = json.loads(out.read_text())["loops"][0]["findings"]
    assert finding["link"] == "load"
    assert sum(part["tonnes"] for part in finding["by_shift"]) == pytest.approx(finding["tonnes"], rel=0.02)
