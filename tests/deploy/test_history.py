"""Recorded history: the replay contract, and a live run that goes on behind it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from config.errors import TallywireError
from deploy.plant.command import main
from deploy.plant.history import BEGIN_FILE, read_begin, write_history
from deploy.plant.model import START
from deploy.plant.site_file import tags_of
from deploy.plant.terminal import Terminal, fresh, specs_at
from deploy.plant.units import SHORT_TON_T

SEED = 9
MIDNIGHT = START // 86400 * 86400


def test_one_file_a_loop_and_day_with_every_tag_as_declared(tmp_path: Path) -> None:
    files = write_history(tmp_path, 2.0, MIDNIGHT + 3600, SEED)
    assert [path.name for path in files] == [
        f"TB-0{n}-{day}.parquet" for n in (7, 8, 9) for day in ("2027-01-14", "2027-01-15")
    ]
    specs = specs_at(fresh(MIDNIGHT - 3600))
    for path in files:
        table = pq.read_table(path)
        loop = path.name[:5]
        assert table.column_names == ["time", *(f"{loop}.{role}" for role in tags_of(specs[loop]))]
        assert len(table) == 3600
    short = pq.read_table(files[2])
    flow = short["TB-08.plc_flow"].to_numpy()
    raw = short["TB-08.ai_raw"].to_numpy()
    np.testing.assert_allclose(flow, raw / 27648.0 * 600.0 / SHORT_TON_T, atol=0.01)


def test_totals_go_on_in_the_live_run(tmp_path: Path) -> None:
    files = write_history(tmp_path, 1.0, MIDNIGHT, SEED)
    begin = read_begin(tmp_path / BEGIN_FILE, MIDNIGHT + 30)
    assert begin.time_s == MIDNIGHT
    terminal = Terminal(begin, SEED)
    terminal.advance()
    for loop, faulty in terminal.loops.items():
        last = pq.read_table(next(path for path in files if path.name.startswith(loop)))
        for role, now in (("gauge_total", faulty.model.gauge.total.sum),):
            before = last[f"{loop}.{role}"][-1].as_py()
            assert before - 1e-6 <= now < before + 0.5


def test_long_pause_goes_on_with_the_totals_at_the_present(tmp_path: Path) -> None:
    write_history(tmp_path, 0.5, MIDNIGHT, SEED)
    begin = read_begin(tmp_path / BEGIN_FILE, MIDNIGHT + 7200)
    assert begin.time_s == MIDNIGHT + 7200
    assert begin.totals["TB-07"][0] > 84_213.0


@pytest.mark.parametrize("text", ["", "{}", '{"totals": [1], "time_s": 0, "tared_s": 0}'])
def test_damaged_begin_is_one_clear_message(tmp_path: Path, text: str) -> None:
    path = tmp_path / BEGIN_FILE
    path.write_text(text)
    with pytest.raises(TallywireError, match="remove it"):
        read_begin(path, MIDNIGHT)


@pytest.mark.parametrize("options", [["--until", "yesterday"], ["--until", "2027-01-15T08:00:00"], ["--hours", "0"]])
def test_bad_option_is_one_clear_message(options: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["history", "--out", str(tmp_path), *options]) == 2
    assert capsys.readouterr().err.startswith(f"plant: {options[0]}")
