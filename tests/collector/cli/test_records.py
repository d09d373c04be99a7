"""`records`: text of 80 columns, files to print, the chain verified, and what is refused."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

import config
from collector.cli import exits, main
from collector.clock import ManualClock
from collector.history.sqlite import SqliteStore, open_store
from collector.history.tables import RECORDS
from collector.records.book import RecordBook
from config.cautions import CAUTIONS
from config.load import load_site
from tests.collector.records.examples import BEGIN, chain_report, loop_check, restatement

EXAMPLE = Path(config.__file__).parent / "examples" / "terminal.yaml"


def opened(data: Path) -> SqliteStore:
    return open_store(data, load_site(EXAMPLE).site, clock=ManualClock(float(BEGIN)))


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with three records."""
    store = opened(tmp_path)
    book = RecordBook(store.state)
    for content in (loop_check(), chain_report(findings=2), restatement()):
        book.add(content)
    store.close()
    return tmp_path


def records(data: Path, command: str, *more: str) -> int:
    return main.main(["records", command, str(EXAMPLE), *more, "--data", str(data)])


def hash_of(data: Path, number: int) -> str:
    store = opened(data)
    record = RecordBook(store.state).find(number)
    store.close()
    assert record is not None
    return record.sha256


def test_the_list_fits_80_columns_and_is_filtered(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert records(data, "list") == exits.NO_FINDING
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    assert [line.split()[0] for line in lines[1:]] == ["3", "2", "1"]
    assert records(data, "list", "--kind", "loop check", "--loop", "TB-07") == exits.NO_FINDING
    assert "loop check" in capsys.readouterr().out
    assert records(data, "list", "--from", "2026-03-03") == exits.NO_FINDING
    assert capsys.readouterr().out == "There is no record that fits.\n"


@pytest.mark.parametrize("number", ["1", "2", "3"])
def test_a_record_is_shown_in_80_columns_with_its_hash(data: Path, capsys: pytest.CaptureFixture[str], number: str) -> None:
    assert records(data, "show", number) == exits.NO_FINDING
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= 80
    assert hash_of(data, int(number)) in shown.replace("\n", "").replace(" ", "")


def test_a_record_is_written_to_print(data: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert records(data, "show", "2", "--html", str(out / "r.html"), "--pdf", str(out / "r.pdf")) == exits.NO_FINDING
    page = (out / "r.html").read_text(encoding="utf-8")
    assert all(text in page for text in CAUTIONS)
    assert "<style>" in page
    assert (out / "r.pdf").read_bytes().startswith(b"%PDF-")


def test_without_the_extra_pdf_is_refused_and_html_is_written(
    data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    assert records(data, "show", "2", "--pdf", str(tmp_path / "r.pdf")) == exits.BAD_INPUT
    assert "tallywire[pdf]" in capsys.readouterr().err
    assert records(data, "show", "2", "--html", str(tmp_path / "r.html")) == exits.NO_FINDING


def test_an_unbroken_chain_is_said_with_its_newest_hash(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert records(data, "verify") == exits.NO_FINDING
    assert capsys.readouterr().out == f"Unbroken: 3 records, the newest is 3 with the hash\n{hash_of(data, 3)}\n"
    assert records(data, "verify", "--printed", f"2={hash_of(data, 2)[:16]}") == exits.NO_FINDING
    assert "Record 2 has the hash on the paper." in capsys.readouterr().out
    assert records(data, "verify", "--printed", "2=0000000000000000") == exits.FINDINGS


def test_a_broken_chain_is_a_finding_with_the_number(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = opened(data)
    with store.state.transaction() as connection:
        connection.execute(RECORDS.update().where(RECORDS.c.number == 2).values(text='{"kind":"chain report"}'))
    store.close()
    assert records(data, "verify") == exits.FINDINGS
    assert "The chain breaks at record 2: its content was changed." in capsys.readouterr().out


def test_an_empty_book_evaluates_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    opened(tmp_path).close()
    assert records(tmp_path, "verify") == exits.NOTHING_EVALUATED
    assert capsys.readouterr().out == "There is no record.\n"


@pytest.mark.parametrize(
    ("command", "more"),
    [
        ("show", ("9",)), ("show", ("0",)), ("list", ("--loop", "TB-99")), ("list", ("--from", "today")),
        ("verify", ("--printed", "2")), ("show", ("1", "--html", "/proc/none/r.html")),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused_with_one_message(
    data: Path, capsys: pytest.CaptureFixture[str], command: str, more: tuple[str, ...]
) -> None:
    assert records(data, command, *more) == exits.BAD_INPUT
    assert capsys.readouterr().err.startswith("tallywire: ")
