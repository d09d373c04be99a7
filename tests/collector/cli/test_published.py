"""`tallywire published`: where the control system finds each loop."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.cli import exits
from collector.cli.main import main
from collector.publish.interface import NODES_LOOP, first_register
from collector.publish.picture import Picture, Quality
from collector.publish.registers import table
from tests.config.bad_files import SOUND


def told(tmp_path: Path, capsys: pytest.CaptureFixture[str], publish: str) -> tuple[int, str]:
    site = tmp_path / "site.yaml"
    site.write_text(SOUND + publish)
    code = main(["published", str(site)])
    return code, capsys.readouterr().out


def test_both_interfaces_in_eighty_columns_with_the_warning_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said = told(tmp_path, capsys, "publish: {opcua: {}, modbus: {port: 1600}}\n")
    assert code == exits.NO_FINDING
    assert said.startswith("Never wire any of it into a trip")
    assert max(map(len, said.splitlines())) <= 80
    assert "port 1600, unit 1" in said
    assert "urn:tallywire:published" in said
    assert all(f"  {field.name} " in said for field in NODES_LOOP)


def test_a_loop_begins_where_the_table_puts_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, said = told(tmp_path, capsys, "publish: {modbus: {}}\n")
    assert f"TB-07                begins at register {first_register(0)}" in said
    assert "OPC UA" not in said
    loops = [Picture(loop=name, title="", span_t_h=1.0, quality=Quality.WAITING) for name in ("A", "B")]
    cells = table(1, 1.0, loops, alive=True)
    assert cells[first_register(1) + 16] == ord("B") << 8


def test_a_site_that_publishes_nothing_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said = told(tmp_path, capsys, "")
    assert code == exits.NOTHING_EVALUATED
    assert "publishes nothing" in said
