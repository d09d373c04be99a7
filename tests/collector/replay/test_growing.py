"""A history that grows while it is replayed: a book goes on with the time that it was begun for, and days may be left open."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.cli import exits, main
from collector.clock import ManualClock
from collector.history.sqlite import SqliteStore, open_store
from collector.replay.preparing import prepared
from config.load import load_site
from tests.collector.replay.plants import T0, day_of_samples, write_plant

ROWS = 1200
DAY = datetime.fromtimestamp(T0, UTC).strftime("%Y-%m-%d")


@pytest.fixture
def growing(tmp_path: Path) -> tuple[Path, Path, SqliteStore]:
    """Site file, data folder and the open history with twenty minutes of TB-07."""
    site, _ = write_plant(tmp_path, 10)
    store = open_store(tmp_path / "data", load_site(site).site, clock=ManualClock())
    store.append([day_of_samples("TB-07", T0, ROWS, 7, ROWS)])
    return site, tmp_path / "data", store


def ends(growing: tuple[Path, Path, SqliteStore], out: Path, *options: str) -> str:
    site, data, _ = growing
    code = main.main(["replay", str(site), "--history", str(data), "--from", DAY, "--json", str(out), *options])
    assert code == exits.NO_FINDING
    return str(json.loads(out.read_text(encoding="utf-8"))["to"])


def test_book_keeps_the_end_that_it_was_begun_with(growing: tuple[Path, Path, SqliteStore], tmp_path: Path) -> None:
    book = ["--resume", str(tmp_path / "book")]
    first = ends(growing, tmp_path / "1.json", *book)
    growing[2].append([day_of_samples("TB-07", T0 + ROWS, 600, 8, 600)])
    assert ends(growing, tmp_path / "2.json", *book) == first
    assert (tmp_path / "1.json").read_bytes() == (tmp_path / "2.json").read_bytes()
    assert ends(growing, tmp_path / "3.json") > first
    growing[2].close()


def test_both_sides_of_a_what_if_judge_the_same_time(
    growing: tuple[Path, Path, SqliteStore], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows come in between the two looks at the history."""
    grown: list[int] = []

    def growing_meanwhile(*arguments: object) -> object:
        growing[2].append([day_of_samples("TB-07", T0 + ROWS + 300 * len(grown), 300, 8, 300)])
        grown.append(1)
        return prepared(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr("collector.replay.whatif.prepared", growing_meanwhile)
    site, data, store = growing
    out = tmp_path / "difference.json"
    asked = ["replay", str(site), "--history", str(data), "--from", DAY, "--set", "limits.link.fault='0.9 %'"]
    assert main.main([*asked, "--json", str(out)]) == exits.NO_FINDING
    store.close()
    assert len(grown) == 2
    told = json.loads(out.read_text(encoding="utf-8"))
    assert told["to"] == datetime.fromtimestamp(T0 + ROWS + 300, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def test_time_without_samples_says_what_there_is(
    growing: tuple[Path, Path, SqliteStore], capsys: pytest.CaptureFixture[str]
) -> None:
    site, data, store = growing
    assert main.main(["replay", str(site), "--history", str(data), "--from", "2031-01-01"]) == exits.BAD_INPUT
    store.close()
    assert f"it reaches from {DAY} to {DAY}" in capsys.readouterr().err
