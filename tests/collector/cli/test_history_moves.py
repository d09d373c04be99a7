"""What goes out of a history comes in again, to the number, whatever unit the site file declares; and what is said on the way."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from checks.samples import BAD, UNCERTAIN, Samples
from collector.cli import exits
from collector.cli.main import main
from collector.clock import SystemClock
from collector.history.bulk import import_samples
from collector.history.hour_rows import By
from collector.history.sqlite import open_store
from config.load import load_site
from config.model import Site
from deploy.plant.site_file import site_text
from deploy.plant.terminal import fresh, specs_at
from tests.checks.runs_of_terminal import BEGIN, PLC_URL, run_of

DAY_S = 86400
LOOP = "TB-08"
"""Its PLC sends short tons."""


def day(offset: int) -> str:
    return datetime.fromtimestamp(BEGIN + offset * DAY_S, UTC).strftime("%Y-%m-%d")


def with_doubts(samples: Samples) -> Samples:
    """The samples with a minute of bad readings of a slow tag and some uncertain ones of a fast tag."""
    for role, rows, code in (("plc_range_high", slice(100, 160), BAD), ("plc_flow", slice(300, 310), UNCERTAIN)):
        quality, values = samples.quality[role].copy(), samples.values[role].copy()
        quality[rows] = code
        if code == BAD:
            values[rows] = np.nan
        samples.quality[role], samples.values[role] = quality, values  # type: ignore[index]
    return samples


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Site]:
    """Half an hour of TB-08 in a sealed day."""
    folder = tmp_path_factory.mktemp("kept")
    specs = specs_at(fresh(BEGIN))
    file = folder / "site.yaml"
    file.write_text(site_text(specs, dict.fromkeys(specs, 1502), PLC_URL), encoding="utf-8")
    site = load_site(file).site
    store = open_store(folder / "data", site, clock=SystemClock())
    import_samples(store, site, LOOP, [with_doubts(run_of(LOOP, 0.5, seed=3))], now=BEGIN + 10 * DAY_S)
    store.close()
    return file, folder / "data", site


def rows_of(data: Path, site: Site) -> Samples:
    store = open_store(data, site, clock=SystemClock(), read_only=True)
    (samples,) = store.scan(LOOP, BEGIN, BEGIN + DAY_S)
    store.close()
    return samples


def export(kept: tuple[Path, Path, Site], out: Path, first: int = 0) -> int:
    times = ["--from", day(first), "--to", day(first + 1)]
    return main(["history", "export", str(kept[0]), "--data", str(kept[1]), "--loop", LOOP, *times, "--out", str(out)])


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_every_number_quality_and_total_comes_back(kept: tuple[Path, Path, Site], suffix: str, tmp_path: Path) -> None:
    file, data, site = kept
    assert site.loops[LOOP].tags["plc_flow"].measured_in == "short_ton/h"
    out, other = tmp_path / f"out{suffix}", tmp_path / "other"
    assert export(kept, out) == exits.NO_FINDING
    assert main(["history", "import", str(file), "--data", str(other), "--data-file", str(out)]) == exits.NO_FINDING
    there, came = rows_of(data, site), rows_of(other, site)
    for role in site.loops[LOOP].tags:
        assert np.array_equal(came.quality[role], there.quality[role]), role
        good = there.quality[role] < BAD
        assert np.array_equal(came.values[role][good], there.values[role][good], equal_nan=True), role
    stores = [open_store(folder, site, clock=SystemClock(), read_only=True) for folder in (data, other)]
    lines = [store.fleet(By.RATE, BEGIN, BEGIN + DAY_S, 9) for store in stores]
    for store in stores:
        store.close()
    assert lines[0] == lines[1]


def test_importing_again_takes_nothing_and_says_why(
    kept: tuple[Path, Path, Site], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, other = tmp_path / "out.csv", str(tmp_path / "other")
    export(kept, out)
    again = ["history", "import", str(kept[0]), "--data", other, "--data-file", str(tmp_path / "*.csv")]
    assert main(again) == exits.NO_FINDING
    capsys.readouterr()
    assert main(again) == exits.NOTHING_EVALUATED
    assert f"{LOOP}: 0 rows were taken, 1,800 not" in capsys.readouterr().out


def test_sealed_day_takes_no_more_and_what_to_do_is_said(
    kept: tuple[Path, Path, Site], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, data, site = kept
    store = open_store(tmp_path / "other", site, clock=SystemClock())
    import_samples(store, site, LOOP, [rows_of(data, site)[slice(0, 900)]], now=BEGIN + 10 * DAY_S)
    store.close()
    whole = ["--data-file", str(data / "archive")]
    assert main(["history", "import", str(file), "--data", str(tmp_path / "other"), *whole]) == exits.NOTHING_EVALUATED
    said = " ".join(capsys.readouterr().out.split())
    assert f"{LOOP}: 0 rows were taken, 1,800 not" in said
    assert f"{day(0)}: sealed already with fewer rows" in said
    assert "prune" in said


def test_folder_of_sealed_days_is_imported(
    kept: tuple[Path, Path, Site], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive = ["--data-file", str(kept[1] / "archive")]
    assert main(["history", "import", str(kept[0]), "--data", str(tmp_path / "other"), *archive]) == exits.NO_FINDING
    assert "1,800 rows were taken" in capsys.readouterr().out
    assert np.array_equal(rows_of(tmp_path / "other", kept[2]).time_s, rows_of(kept[1], kept[2]).time_s)


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_export_of_nothing_leaves_the_file_that_is_there(
    kept: tuple[Path, Path, Site], suffix: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / f"out{suffix}"
    out.write_text("of yesterday", encoding="utf-8")
    assert export(kept, out, first=40) == exits.NOTHING_EVALUATED
    assert "they reach from" in capsys.readouterr().out
    assert out.read_text(encoding="utf-8") == "of yesterday"
    assert [path.name for path in tmp_path.iterdir()] == [out.name]


def test_prune_says_what_would_go_and_then_what_went(
    kept: tuple[Path, Path, Site], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = tmp_path / "other"
    store = open_store(data, kept[2], clock=SystemClock())
    import_samples(store, kept[2], LOOP, [rows_of(kept[1], kept[2])], now=BEGIN + 10 * DAY_S)
    store.close()
    asked = ["history", "prune", str(kept[0]), "--data", str(data), "--before", day(1)]
    capsys.readouterr()
    assert main(asked) == exits.NO_FINDING
    said = capsys.readouterr().out
    assert f"{day(0)} to {day(0)}" in said
    assert "would be dropped" in said
    assert all(len(line) <= 80 for line in said.splitlines())
    assert main([*asked, "--loop", "TB-07"]) == exits.NO_FINDING
    assert "no sealed day" in capsys.readouterr().out
    assert main([*asked, "--loop", LOOP, "--yes"]) == exits.NO_FINDING
    assert "dropped" in capsys.readouterr().out
    assert not list(data.rglob("*.parquet"))
    store = open_store(data, kept[2], clock=SystemClock(), read_only=True)
    (event,) = store.events(0.0, 2.0**40)
    store.close()
    assert "dropped by hand" in event.text


def test_reading_makes_no_folder(kept: tuple[Path, Path, Site], tmp_path: Path) -> None:
    wrong = tmp_path / "mistyped"
    assert main(["history", "verify", str(kept[0]), "--data", str(wrong)]) == exits.BAD_INPUT
    assert not wrong.exists()
