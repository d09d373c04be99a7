"""`tallywire plan` in a terminal of 80 columns, and as JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from collector.cli import exits
from collector.cli.main import main
from config.cautions import CAUTIONS

SITE = str(Path(__file__).parents[3] / "config" / "examples" / "terminal.yaml")


def test_plan_fits_a_terminal_and_carries_the_cautions_first(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", SITE, "--loop", "TB-07", "--date", "2027-03-01"]) == exits.NO_FINDING
    said = capsys.readouterr().out
    assert max(map(len, said.splitlines())) <= 80
    assert said.index(CAUTIONS[0][:40]) < said.index("1. Background")
    for part in ("whole turns", "raw counts", "Count rates to expect", "Source renewal", "2028-03-01"):
        assert part in said


def test_plan_as_json_says_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", SITE, "--date", "2027-03-01", "--json", "--uncertainty", "1 t/h"]) == exits.NO_FINDING
    plans = json.loads(capsys.readouterr().out)
    assert [plan["loop"] for plan in plans] == ["TB-07", "TB-08", "TB-09"]
    assert plans[0]["wanted"] == 1.0
    assert plans[0]["tare"]["uncertainty"] <= 1.0


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--loop", "TB-99"], "no loop 'TB-99'"),
        (["--date", "soon"], "'soon' is no day"),
        (["--uncertainty", "2"], "--uncertainty"),
        (["--uncertainty", "0 t/h"], "not above zero"),
        (["--noise", "-1 t/h"], "not above zero"),
        (["--span-uncertainty", "0"], "not above zero"),
    ],
)
def test_bad_input_is_one_message(options: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", SITE, *options]) == exits.BAD_INPUT
    assert says in capsys.readouterr().err


def test_site_file_that_lacks_what_a_plan_needs_is_told_what(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(
        "schema: 1\nsite: small\nloops:\n  A:\n    gauge: {range: {high: 100 t/h}}\n    plc: {range: {high: 100 t/h}}\n    tags: {flow: {}}\n"
    )
    assert main(["plan", str(file)]) == exits.BAD_INPUT
    assert "gauge.empty_belt_rate" in capsys.readouterr().err
