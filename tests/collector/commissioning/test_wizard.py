"""The wizard: answers make a site file that is sound, wrong answers are asked again, nothing is written over."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path

import pytest

from collector.cli import exits
from collector.cli.main import main
from collector.clock import SystemClock
from collector.commissioning.drafts import Drafts
from config.load import load_site
from config.model import ModbusEndpoint, ModbusTag, OpcUaTag, SpeedSource

ANSWERS = [
    "north terminal", "north-terminal", "Potash: export 'quay'", "Mars/Base", "Atlantic/Reykjavik",
    "gauge-07", "", "192.0.2.17:99999", "192.0.2.17:1502", "", "y", "plc", "opcua", "http://plc", "opc.tcp://192.0.2.30:4840", "n",
    "TB-07", "", "420", "420 t/h", "8 s", "2.2", "2.2 m/s", "Cs-137", "370 MBq", "2024-02-20", "5200 1/s", "2026-05-14", "60 1/s",
    "5 us", "perhaps", "no", "153.85 kg/m", "240 m",
    "", "", "", "", "2 s", "", "1.9 m/s", "",
    "", "input 0 float32", "input 2 float32", "somewhere", "input 4 float32 CDAB", "", "", "", "input 12 uint32, scale: 0.1", "", "", "",
    "n",
    "", "n", "ns=2;s=TB-07/Flow, measured_in: kg", "ns=2;s=TB-07/Flow, measured_in: kg/s", "ns=2;s=TB-07/RawInput", "", "", "", "", "", "",
    "", "n", "n",
]  # fmt: skip


def typed(monkeypatch: pytest.MonkeyPatch, answers: list[str]) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(answers) + "\n"))


def test_answers_make_a_sound_site_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "site.yaml"
    typed(monkeypatch, ANSWERS)
    assert main(["init", str(file)]) == exits.NO_FINDING
    said = capsys.readouterr().out
    for part in (
        "is no name",
        "is no time zone",
        "is no address of OPC UA",
        "'somewhere' cannot be read as a register",
        "is no port",
        "port 1502, from the host",
        "gauge-07: 192.0.2.17:1502, unit 1",
        "the bare number 2.2 has no unit",
        "TB-07",
    ):
        assert part in said
    site = load_site(file).site
    loop = site.loops["TB-07"]
    assert (site.site, site.title, site.time_zone) == ("north-terminal", "Potash: export 'quay'", "Atlantic/Reykjavik")
    assert (loop.gauge.range.high, loop.plc.range.high, loop.gauge.damping, loop.plc.filter) == (420.0, 420.0, 8.0, 2.0)
    assert (loop.gauge.empty_belt_rate, loop.gauge.belt_length, loop.drive.speed_at_nominal) == (5200.0, 240.0, 1.9)
    assert (loop.gauge.dead_time, loop.gauge.counts_filtered) == (5e-6, False)
    speed, flow = loop.tags["speed"], loop.tags["plc_flow"]
    assert isinstance(speed, ModbusTag)
    assert (speed.endpoint, speed.table, speed.address, speed.order) == ("gauge-07", "input", 4, "CDAB")
    assert isinstance(flow, OpcUaTag)
    assert (flow.node, flow.measured_in) == ("ns=2;s=TB-07/Flow", "kg/s")
    assert set(loop.tags) == {"flow", "load", "speed", "gauge_total", "ai_raw", "plc_flow"}
    gauge = site.endpoints["gauge-07"]
    assert isinstance(gauge, ModbusEndpoint)
    assert (gauge.host, gauge.port, loop.tags["gauge_total"].scale) == ("192.0.2.17", 1502, 0.1)
    assert (loop.gauge.speed_source, loop.gauge.fixed_speed, loop.drive.variable) == (SpeedSource.FIXED, 2.2, False)
    assert loop.gauge.source is not None
    assert (loop.gauge.source.activity, loop.gauge.source.activity_date) == (370.0e6, date(2024, 2, 20))
    assert "# ledger" in file.read_text(encoding="utf-8")


def test_file_that_is_there_is_not_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "site.yaml"
    file.write_text("mine", encoding="utf-8")
    assert main(["init", str(file)]) == exits.BAD_INPUT
    assert "there already" in capsys.readouterr().err
    assert file.read_text(encoding="utf-8") == "mine"


def test_end_of_the_answers_writes_no_file_and_keeps_them_for_the_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    typed(monkeypatch, ANSWERS[:-12])
    assert main(["init", str(tmp_path / "site.yaml")]) == exits.INTERRUPTED
    said = " ".join(capsys.readouterr().out.split())
    assert "was not written" in said
    assert "go on with `tallywire init --page`, where it is called Potash: export 'quay'" in said
    assert not (tmp_path / "site.yaml").exists()
    (draft,) = Drafts(SystemClock(), tmp_path / "data" / "tallywire" / "drafts").all()
    assert draft.answers.loops[0].gauge["high"] == "420 t/h"
    assert draft.answers.loops[0].tags["flow"] == "input 0 float32"


def test_nothing_is_kept_of_no_answers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    typed(monkeypatch, [""])
    assert main(["init", str(tmp_path / "site.yaml")]) == exits.INTERRUPTED
    assert list(tmp_path.rglob("*.json")) == []


def test_answers_that_do_not_fit_each_other_are_written_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file, at = tmp_path / "site.yaml", ANSWERS.index("TB-07") + 1
    typed(monkeypatch, [*ANSWERS[:at], "500 t/h", *ANSWERS[at + 1 :]])
    assert main(["init", str(file)]) == exits.BAD_INPUT
    said = capsys.readouterr()
    assert "is written, but cannot be used before it is mended" in " ".join(said.out.split())
    assert "the range ends at 420 t/h, not above its begin at 500 t/h" in said.err
    assert "low: 500 t/h" in file.read_text(encoding="utf-8")
