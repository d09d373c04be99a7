"""`report totals` and `report month`: text of 80 columns, CSV, and what they refuse."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

import config
from collector.accounts import text
from collector.accounts.account import read
from collector.accounts.periods import parts_of, period_named
from collector.cli import exits, main
from collector.clock import ManualClock
from collector.history.sqlite import open_store
from config.load import load_site
from tests.collector.accounts.histories import Kept, alert, at, steady

EXAMPLE = Path(config.__file__).parent / "examples" / "terminal.yaml"
BEGIN = at("2026-03-02T06:00")


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A history with a day of TB-07 at 240 t/h, an hour of it without the gauge; the PLC books 2 % less."""
    folder = tmp_path_factory.mktemp("history")
    store = open_store(folder, load_site(EXAMPLE).site, clock=ManualClock(float(BEGIN)))
    minutes = steady(BEGIN, 24, plc=0.98, silent=((4.0, 5.0),))
    store.add_rollups(minutes)
    hours = Kept(minutes={"TB-07": minutes}).rollups("TB-07", 3600, BEGIN, BEGIN + 86400)
    assert hours is not None
    store.add_rollups(hours)
    store.close()
    return folder


def report(data: Path, *more: str) -> int:
    return main.main(["report", more[0], str(EXAMPLE), "--data", str(data), *more[1:]])


def test_totals_fit_80_columns_and_say_both_statements(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert report(data, "totals", "--from", "2026-03-02", "--to", "2026-03-03", "--by", "shift") == exits.NO_FINDING
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= 80
    told = " ".join(shown.split())
    assert "The loop does not agree: the PLC booked 5 644.8 t, the best estimate 5 760.0 t" in told
    assert "Whether the tonnes are right is not evaluated" in told
    assert "for 1.00 h the PLC total stands in (+240.0 t)" in told
    assert "2026-03-02 14:00" in told
    assert "units: gauge t/h -> 4..20 mA = 0..420 t/h -> PLC t/h -> total t" in told


def test_month_has_a_row_a_day(data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "month.csv"
    assert report(data, "month", "--month", "2026-03", "--loop", "TB-07", "--csv", str(out)) == exits.NO_FINDING
    shown = capsys.readouterr().out
    assert shown.startswith("tonnes of 2026-03, 2026-03-01 06:00 UTC to 2026-04-01 06:00 UTC")
    with out.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 31
    second = rows[1]
    assert (second["period"], second["plc_t"], second["own_t"]) == ("2026-03-02", "5644.800", "5520.000")
    assert float(second["best_t"]) == pytest.approx(5760.0)
    assert (rows[0]["best_t"], rows[0]["complete"]) == ("", "no")


def test_csv_goes_alone_to_stdout(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert report(data, "totals", "--from", "2026-03-02", "--to", "2026-03-03", "--csv", "-") == exits.NO_FINDING
    assert capsys.readouterr().out.startswith("loop,period,from,to,hours,")


def test_loop_of_which_nothing_is_stored_evaluates_nothing(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert report(data, "month", "--month", "2026-03", "--loop", "TB-08") == exits.NOTHING_EVALUATED
    assert "no tonnes can be stated" in capsys.readouterr().out


@pytest.mark.parametrize(
    "more",
    [
        ("totals", "--from", "yesterday", "--to", "2026-03-03"), ("totals", "--from", "2026-03-04", "--to", "2026-03-03"),
        ("totals", "--from", "2026-03-02", "--to", "2026-03-03", "--loop", "TB-99"),
        ("totals", "--from", "2020-01-01", "--to", "2026-01-01"), ("totals", "--from", "2999-01-01", "--to", "2999-01-02"),
        ("month", "--month", "2026-13"), ("month", "--month", "March"), ("month", "--month", "2026-3"),
        ("month", "--month", "2999-01"), ("month", "--month", "9999-12"),
        ("totals", "--from", "2026-03-02", "--to", "2026-03-03", "--csv", "/proc/none/out.csv"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused_with_one_message(
    data: Path, capsys: pytest.CaptureFixture[str], more: tuple[str, ...]
) -> None:
    assert report(data, *more) == exits.BAD_INPUT
    assert capsys.readouterr().err.startswith("tallywire: ")


def test_text_with_everything_fits_80_columns() -> None:
    site = load_site(EXAMPLE).site
    loops = {"A_LOOP-WITH-THE-LONGEST-NAME-ALLOWED-HERE": site.loops["TB-07"], "TB-07": site.loops["TB-07"]}
    site = site.model_copy(update={"loops": loops, "time_zone": "America/St_Johns"})
    store = Kept(minutes={"TB-07": steady(at("2026-10-31T08:30"), 49, plc=0.9, lost=((0.0, 0.5), (20.0, 21.0)))})
    found = alert(
        at("2026-10-31T12:00"), None, title="a cause with a name that is longer than the line is wide, " * 2, tonnes=-900.0
    )
    named = period_named(site, "day", "2026-10-31")
    shifts = parts_of(site, "shift", date(2026, 10, 31), date(2026, 10, 31))
    accounts = [
        read(site, store, lambda *_: [found], loop, shifts, float(at("2026-11-20T00:00")), named=named) for loop in site.loops
    ]
    lines = text.lines_of(accounts, ZoneInfo(site.time_zone))
    assert max(map(len, lines)) <= 80
    # The clocks go back on the first Sunday of November (Energy Policy Act of 2005; Newfoundland keeps the same days).
    assert "note: 25 h long: the clocks go back by 1 h" in lines
