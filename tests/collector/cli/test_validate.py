"""`validate`: the summary of a sound site, every problem of a bad one, the schema."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

import config
from collector.cli import exits, main

EXAMPLE = Path(config.__file__).parent / "examples" / "terminal.yaml"


def test_example_is_sound_and_its_summary_fits_80_columns(capsys: pytest.CaptureFixture[str]) -> None:
    assert main.main(["validate", str(EXAMPLE)]) == exits.NO_FINDING
    shown = capsys.readouterr().out
    lines = shown.splitlines()
    assert lines[0] == f"ok: {EXAMPLE}"
    assert max(map(len, lines[1:])) <= 80
    for loop in ("TB-07", "TB-08", "TB-09"):
        assert loop in shown
    assert "verifies" in shown


def test_loop_of_one_tag_is_told_what_it_lacks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(
        "schema: 1\nsite: terminal\nloops:\n  TB-07:\n    gauge: {range: {high: 420 t/h}}\n"
        "    plc: {range: {high: 420 t/h}}\n    tags:\n      flow: {}\n      plc_flow: {}\n"
    )
    assert main.main(["validate", str(path)]) == exits.NO_FINDING
    shown = " ".join(capsys.readouterr().out.split())
    assert "verifies PLC flow from gauge flow, end to end" in shown
    assert "cannot PLC total against the integral: needs plc_total" in shown


def test_every_problem_is_told_at_once_with_its_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(
        "schema: 1\nsite: terminal\nloops:\n  TB-07:\n    gauge: {range: {high: 420}}\n"
        "    plc: {range: {high: 420 tons}}\n    tags:\n      flow: {}\n"
    )
    assert main.main(["validate", str(path)]) == exits.BAD_INPUT
    said = capsys.readouterr().err
    for line in (5, 6):
        assert f"site.yaml:{line}" in said
    assert "Traceback" not in said


def test_schema_is_a_json_schema(capsys: pytest.CaptureFixture[str]) -> None:
    assert main.main(["validate", "--schema"]) == exits.NO_FINDING
    jsonschema.Draft202012Validator.check_schema(json.loads(capsys.readouterr().out))


def test_no_site_file_is_bad_input(capsys: pytest.CaptureFixture[str]) -> None:
    assert main.main(["validate"]) == exits.BAD_INPUT
    assert "no site file is named" in capsys.readouterr().err
