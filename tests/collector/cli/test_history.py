"""`tallywire history` on a real folder: whole, damaged, out and in again, and what is old."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from checks.samples import Samples
from collector.cli import exits
from collector.cli.main import main
from collector.clock import SystemClock
from collector.history.bulk import import_samples
from collector.history.sqlite import open_store
from collector.spreadsheet import safe_text
from config.load import load_site
from deploy.plant.site_file import site_text
from deploy.plant.terminal import fresh, specs_at
from tests.checks.runs_of_terminal import BEGIN, PLC_URL, run_of

DAY_S = 86400
NOW = BEGIN + 10 * DAY_S


def day(offset: int) -> str:
    return datetime.fromtimestamp(BEGIN + offset * DAY_S, UTC).strftime("%Y-%m-%d")


@pytest.fixture
def kept(tmp_path: Path) -> tuple[Path, Path, Samples]:
    """Half an hour of TB-07 in a sealed day."""
    specs = specs_at(fresh(BEGIN))
    file = tmp_path / "site.yaml"
    file.write_text(site_text(specs, dict.fromkeys(specs, 1502), PLC_URL), encoding="utf-8")
    samples = run_of("TB-07", 0.5, seed=3)
    site = load_site(file).site
    store = open_store(tmp_path / "data", site, clock=SystemClock())
    import_samples(store, site, "TB-07", [samples], now=NOW)
    store.close()
    return file, tmp_path / "data", samples


def history(kept: tuple[Path, Path, Samples], command: str, *options: str) -> int:
    return main(["history", command, str(kept[0]), "--data", str(kept[1]), *options])


def test_whole_history_is_said_to_be_whole(kept: tuple[Path, Path, Samples], capsys: pytest.CaptureFixture[str]) -> None:
    assert history(kept, "verify") == exits.NO_FINDING
    assert "1 sealed days with 1,800 rows" in capsys.readouterr().out


@pytest.mark.parametrize(("damage", "says"), [("flip", "checksum"), ("cut", "checksum"), ("gone", "not there")])
def test_damage_is_found_with_what_it_means(
    kept: tuple[Path, Path, Samples], damage: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (path,) = kept[1].rglob("*.parquet")
    content = bytearray(path.read_bytes())
    if damage == "gone":
        path.unlink()
    else:
        content[len(content) // 2] ^= 0xFF
        path.write_bytes(bytes(content[:-100]) if damage == "cut" else bytes(content))
    assert history(kept, "verify") == exits.FINDINGS
    said = " ".join(capsys.readouterr().out.split())
    assert says in said
    assert "samples of TB-07" in said


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_what_goes_out_comes_in_again(
    kept: tuple[Path, Path, Samples], suffix: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / f"out{suffix}"
    assert history(kept, "export", "--loop", "TB-07", "--from", day(0), "--to", day(1), "--out", str(out)) == exits.NO_FINDING
    assert "1,800 rows" in capsys.readouterr().out
    again = (kept[0], tmp_path / "other", kept[2])
    assert history(again, "import", "--data-file", str(out)) == exits.NO_FINDING
    site = load_site(kept[0]).site
    store = open_store(tmp_path / "other", site, clock=SystemClock(), read_only=True)
    (samples,) = store.scan("TB-07", BEGIN, BEGIN + DAY_S)
    store.close()
    for role in ("flow", "plc_flow", "ai_raw", "gauge_total"):
        assert np.array_equal(samples.values[role], kept[2].values[role], equal_nan=True), role
    assert np.array_equal(samples.time_s, kept[2].time_s)


def test_old_days_are_counted_and_dropped_only_when_told(
    kept: tuple[Path, Path, Samples], capsys: pytest.CaptureFixture[str]
) -> None:
    assert history(kept, "prune", "--before", day(1)) == exits.NO_FINDING
    assert "1 sealed loop-days" in capsys.readouterr().out
    assert list(kept[1].rglob("*.parquet"))
    assert history(kept, "prune", "--before", day(1), "--yes") == exits.NO_FINDING
    assert not list(kept[1].rglob("*.parquet"))
    assert history(kept, "export", "--loop", "TB-07", "--from", day(0), "--to", day(1), "--out", str(kept[1] / "x.csv")) == (
        exits.NOTHING_EVALUATED
    )


@pytest.mark.parametrize(
    ("command", "options", "says"),
    [
        ("export", ["--loop", "TB-99", "--from", day(0), "--to", day(1), "--out", "x.csv"], "TB-99"),
        ("export", ["--loop", "TB-07", "--from", day(1), "--to", day(0), "--out", "x.csv"], "end after"),
        ("export", ["--loop", "TB-07", "--from", day(0), "--to", day(1), "--out", "x.xls"], "neither"),
        ("prune", ["--before", "soon"], "no day"),
        ("import", ["--data-file", "none.csv"], "cannot be read"),
    ],
)
def test_bad_input_is_one_message(
    kept: tuple[Path, Path, Samples], command: str, options: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert history(kept, command, *options) == exits.BAD_INPUT
    assert says in capsys.readouterr().err


def test_stored_history_is_replayed_like_the_file_it_came_from(
    kept: tuple[Path, Path, Samples], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, stored, filed = tmp_path / "out.parquet", tmp_path / "stored.json", tmp_path / "filed.json"
    history(kept, "export", "--loop", "TB-07", "--from", day(0), "--to", day(1), "--out", str(out))
    asked = ["--from", day(0), "--to", day(1), "--loop", "TB-07", "--history", str(kept[1])]
    code = main(["replay", str(kept[0]), *asked, "--json", str(stored)])
    assert main(["replay", str(kept[0]), "--data", str(out), "--json", str(filed)]) == code
    assert "replay of the history" in capsys.readouterr().out
    one, other = (json.loads(path.read_text(encoding="utf-8")) for path in (stored, filed))
    assert one["loops"][0]["checks"] == other["loops"][0]["checks"]
    assert (one["from"], one["to"]) == (other["from"], other["to"])
    empty = ["--from", day(5), "--to", day(6), "--loop", "TB-07", "--history", str(kept[1])]
    assert main(["replay", str(kept[0]), *empty]) == exits.BAD_INPUT
    assert "no samples in that time" in capsys.readouterr().err
    assert main(["replay", str(kept[0]), "--data", str(out), *asked]) == exits.BAD_INPUT


def test_text_that_a_spreadsheet_would_compute_is_quoted() -> None:
    assert [safe_text(text) for text in ("=1+1", "+x", "-x", "@x", "x=1", "")] == ["'=1+1", "'+x", "'-x", "'@x", "x=1", ""]
