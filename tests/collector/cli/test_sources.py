"""`tallywire sources` in a terminal."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.cli import exits
from collector.cli.main import main
from config.cautions import CAUTIONS

SITE = str(Path(__file__).parents[3] / "config" / "examples" / "terminal.yaml")


def test_inventory_with_what_is_due(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sources", SITE, "--date", "2027-08-10"]) == exits.NO_FINDING
    said = capsys.readouterr().out
    assert "Cs-137 PT-0712: 1.85 GBq on 2024-02-20" in said
    assert "shutter check: 2027-08-20, in 10 d" in said
    assert CAUTIONS[0][:40] in said
    assert max(map(len, said.splitlines())) <= 80


def test_overdue_test_is_a_finding(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sources", SITE, "--date", "2028-03-01"]) == exits.FINDINGS
    assert "! leak test: 2028-02-20, overdue by 10 d" in capsys.readouterr().out


def test_day_that_is_none(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sources", SITE, "--date", "soon"]) == exits.BAD_INPUT
    assert "is no day" in capsys.readouterr().err
