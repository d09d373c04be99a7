"""`tallywire verify` as its user meets it: an ugly export of the terminal, six answers, the verdict."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from collector.cli import exits
from collector.cli.main import main
from config.cautions import CAUTIONS
from tests.checks.runs_of_terminal import run_of
from tests.collector.exports.ugly import Style, wide

NAMES = ("Zeit", "Massflow TB-07", "PLC flow", "AI raw", "Belt running")
UNITS = ("", "t/h", "t/h", "", "")
STYLE = Style(encoding="utf-16", group=".", title=("Schichtbericht",), units=UNITS)


@pytest.fixture(scope="module")
def exports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """An hour and a half of a sound loop and of one whose far side has another range, as a logger in local time wrote it."""
    folder = tmp_path_factory.mktemp("exports")
    out = {}
    for name, faults in (("sound", []), ("range", ["upper-range"])):
        samples = run_of("TB-07", 1.5, seed=3, faults=faults)
        columns = [samples.values[role] for role in ("flow", "plc_flow", "ai_raw", "drive_running")]
        rows = np.flatnonzero(np.arange(len(samples)) % 977 != 5)
        picked = [column[rows] for column in columns]
        out[name] = wide(folder / f"{name}.csv", NAMES, samples.time_s[rows].astype(np.float64), picked, STYLE)
    return out


def answers(folder: Path, plc_range: str = "0 to 420 t/h") -> Path:
    file = folder / "answers.yaml"
    file.write_text(
        "columns: {Massflow TB-07: 'flow, t/h', PLC flow: 'plc_flow, t/h', AI raw: ai_raw, Belt running: drive_running}\n"
        f"gauge_range: 0 to 420 t/h\nplc_range: {plc_range}\nraw_span: 0 to 27648\nfilters: 10 and 0\nzone: Europe/Berlin\n",
        encoding="utf-8",
    )
    return file


def test_range_that_differs_is_found_in_an_ugly_export(
    exports: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "report.json"
    code = main(["verify", str(exports["range"]), "--answers", str(answers(tmp_path)), "--json", str(out)])
    said = capsys.readouterr().out
    assert code == exits.FINDINGS
    assert "UTF-16" in said
    assert "the decimal mark is a comma" in said
    assert CAUTIONS[0][:40] in said
    assert all(len(line) <= 80 for line in said.splitlines())
    finding = json.loads(out.read_text(encoding="utf-8"))["loops"][0]["findings"][0]
    assert finding["link"] in ("input-card", "current", "gauge-output", "scaling-block")
    told = [finding["cause"], *(other["cause"] for other in finding["alternatives"])]
    assert "upper-range" in told
    assert "would help to export the current" in " ".join(said.split())


def test_sound_loop_has_no_finding_and_its_answers_make_a_site_file_for_replay(
    exports: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site, column_map = tmp_path / "site.yaml", tmp_path / "map.csv"
    assert main(["verify", str(exports["sound"]), "--answers", str(answers(tmp_path)), "--save", str(site)]) == exits.NO_FINDING
    capsys.readouterr()
    column_map.write_text("Massflow TB-07,loop.flow\nPLC flow,loop.plc_flow\nAI raw,loop.ai_raw\n", encoding="utf-8")
    assert main(["replay", str(site), "--data", str(exports["sound"]), "--map", str(column_map)]) == exits.NO_FINDING
    said = capsys.readouterr().out
    assert "the decimal mark is a comma" in said
    assert "'Belt running'" in said


def test_questions_are_printed_as_a_file_to_fill_in(exports: dict[str, Path], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", str(exports["sound"]), "--questions"]) == exits.NO_FINDING
    said = capsys.readouterr().out
    assert "'Massflow TB-07': 'flow, t/h'" in said
    assert "'AI raw': 'ai_raw'" in said


def test_without_answers_and_terminal_it_says_what_to_do(exports: dict[str, Path], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", str(exports["sound"])]) == exits.BAD_INPUT
    assert "--questions" in capsys.readouterr().err


def test_file_that_is_no_table_is_bad_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "letter.txt"
    file.write_text("Dear colleagues\nplease find attached\n", encoding="utf-8")
    assert main(["verify", str(file), "--questions"]) == exits.BAD_INPUT
    assert "one field each" in capsys.readouterr().err


def test_columns_of_an_export_that_are_no_tags_are_told_on_replay(
    exports: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = tmp_path / "site.yaml"
    main(["verify", str(exports["sound"]), "--answers", str(answers(tmp_path)), "--save", str(site)])
    capsys.readouterr()
    assert main(["replay", str(site), "--data", str(exports["sound"])]) == exits.BAD_INPUT
    assert "no column of the file is a tag" in capsys.readouterr().err
