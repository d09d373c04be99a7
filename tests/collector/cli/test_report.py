"""`report uptime`: text of 80 columns, CSV, and what it refuses."""

from __future__ import annotations

from pathlib import Path

import pytest

import config
from checks.reliability.timeline import Annotation, LoopState
from collector.cli import exits, main
from collector.clock import ManualClock
from collector.history.sqlite import open_store
from config.load import load_site
from tests.checks.reliability.test_timeline import BEGIN, blocks

EXAMPLE = Path(config.__file__).parent / "examples" / "terminal.yaml"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A history with eight loaded hours of TB-07, one without a usable flow, and one correction."""
    site = load_site(EXAMPLE).site
    store = open_store(tmp_path, site, clock=ManualClock(float(BEGIN)))
    store.add_rollups(blocks([(minute, "loaded", 0.0 if 60 <= minute < 120 else 1.0) for minute in range(480)]))
    store.annotate(
        Annotation(
            loop="TB-07", begin=BEGIN + 6000, end=BEGIN + 7200, state=LoopState.MAINTENANCE, by="R. Ortega", reason="belt test",
            made=float(BEGIN + 9000),
        )
    )  # fmt: skip
    store.close()
    return tmp_path


def report(data: Path, *more: str) -> int:
    return main.main(
        ["report", "uptime", str(EXAMPLE), "--from", "2026-03-01", "--to", "2026-03-03", "--data", str(data), *more]
    )


def test_the_report_fits_80_columns_and_shows_the_correction(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert report(data, "--loop", "TB-07") == exits.NO_FINDING
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= 80
    assert "87.50 %" in shown  # 7 of 8 h; of the hour without a flow a third is maintenance
    assert "corrected to maintenance by R. Ortega: belt test" in shown


def test_csv_goes_to_a_file_or_alone_to_stdout(data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert report(data, "--csv", "-") == exits.NO_FINDING
    shown = capsys.readouterr().out
    assert shown.splitlines()[0].startswith("loop,from,to,availability")
    out = tmp_path / "uptime.csv"
    assert report(data, "--csv", str(out)) == exits.NO_FINDING
    assert out.read_text(encoding="utf-8").splitlines() == [line for line in shown.splitlines() if line]


def test_a_loop_of_which_nothing_is_stored_evaluates_nothing(data: Path) -> None:
    assert report(data, "--loop", "TB-08") == exits.NOTHING_EVALUATED


@pytest.mark.parametrize(
    "more",
    [("--from", "yesterday"), ("--from", "2026-03-04"), ("--loop", "TB-99"), ("--from", "2999-01-01", "--to", "2999-01-02")],
)
def test_what_does_not_fit_is_refused_with_one_message(
    data: Path, capsys: pytest.CaptureFixture[str], more: tuple[str, ...]
) -> None:
    assert report(data, *more) == exits.BAD_INPUT
    assert capsys.readouterr().err.startswith("tallywire: ")
