"""Data that go wrong on the way, from the user's view: one message with the place, also from another process."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from collector.cli import exits, main
from tests.collector.replay.plants import T0, flows, write_plant
from tests.collector.replay.recorders import write_tag


def late_error(folder: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, Path]:
    """A file whose row 900 holds a word, far behind the first piece."""
    monkeypatch.setattr("collector.replay.tables.ROWS", 200)
    site, data = write_plant(folder, 1000)
    text = folder / "both.csv"
    frame = pd.read_parquet(data).astype(object)
    frame.loc[898, "TB-08.flow"] = "broken"
    frame.to_csv(text, index=False)
    return site, text


@pytest.mark.parametrize("how", [[], ["--workers", "1"]])
def test_word_far_down_is_told_with_line_and_column(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, how: list[str]
) -> None:
    site, data = late_error(tmp_path, monkeypatch)
    assert main.main(["replay", str(site), "--data", str(data), "--loop", "TB-08", *how]) == exits.BAD_INPUT
    said = capsys.readouterr().err
    assert "both.csv, line 900, column 'TB-08.flow'" in said
    assert "fix:" in said
    assert "Traceback" not in said


def test_what_was_done_before_the_error_is_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first loop is whole: put right, the file is another one, and the book says so instead of mixing the two."""
    site, data = late_error(tmp_path, monkeypatch)
    book = tmp_path / "book"
    assert main.main(["replay", str(site), "--data", str(data), "--resume", str(book)]) == exits.BAD_INPUT
    assert (book / "TB-07.done").exists()
    capsys.readouterr()
    data.write_text(data.read_text().replace("broken", "1.5"))
    assert main.main(["replay", str(site), "--data", str(data), "--resume", str(book)]) == exits.BAD_INPUT
    assert "begun with other data" in capsys.readouterr().err


def test_tag_file_that_is_empty_unsorted_or_without_zone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Empty and unsorted files are told with their names; local times without zone are read in the zone of the site."""
    site, _ = write_plant(tmp_path, 60)
    folder = tmp_path / "tags"
    folder.mkdir()
    flow = flows(600, 600, 3)[0]
    write_tag(folder / "TB-07.flow.csv", T0 + np.arange(600.0), flow)
    other = folder / "TB-07.plc_flow.csv"
    for content, words in (
        ("time,value\n", "no rows"), (f"time,value\n{T0 + 1},1\n{T0},2\n", "goes back"), ("", "empty"),
        (f"time,value\n{T0},1\n{T0},2\n", "comes again"), ("time,value\nyesterday,1\n", "time"),
    ):  # fmt: skip
        other.write_text(content)
        assert main.main(["replay", str(site), "--data", str(folder / "*.csv")]) == exits.BAD_INPUT
        said = capsys.readouterr().err
        assert words in said
        assert "TB-07.plc_flow" in said or "fix:" in said
    stamps = pd.to_datetime(T0 + np.arange(600), unit="s").strftime("%Y-%m-%d %H:%M:%S")
    other.write_text("time,value\n" + "".join(f"{stamp},{value:.3f}\n" for stamp, value in zip(stamps, flow, strict=True)))
    assert main.main(["replay", str(site), "--data", str(folder / "*.csv")]) == exits.NO_FINDING
    assert "local time" in " ".join(capsys.readouterr().out.split())
