"""Reports by the calendar: once for each period, whole files, and no failure that stops anything."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

from collector.history.state import StateDb
from collector.history.tables import RECORDS
from collector.records.book import RecordBook
from collector.records.chain_report import ChainReport
from collector.records.paper import pdf
from collector.records.reporting import chain_report
from collector.records.scheduled import ScheduledReports, write_whole
from config.model import Report
from tests.collector.records.conftest import Terminal
from tests.collector.records.examples import uptime_report


def chain(folder: Path, *formats: str, loops: tuple[str, ...] = ("TB-07",), every: str = "shift") -> Report:
    return Report.model_validate(
        {"what": "chain", "loops": loops, "every": every, "formats": formats or ("html",), "folder": folder}
    )


def scheduled(history: Terminal) -> ScheduledReports:
    return ScheduledReports(history.sources, history.book)


def test_a_report_is_made_once_numbered_and_written(history: Terminal, folder: Path) -> None:
    history.ask_for(made_once=chain(folder, "html", "pdf"))
    reports = scheduled(history)
    made = reports.run()
    (record,) = made.records
    assert made.problems == []
    assert sorted(path.name for path in made.files) == [
        f"made-once-TB-07-2027-01-15-0600-no{record.number}.{suffix}" for suffix in ("html", "pdf")
    ]
    assert record.sha256 in made.files[0].read_text(encoding="utf-8")
    assert made.files[1].read_bytes().startswith(b"%PDF-")
    assert list(folder.glob("*.part")) == []
    again = reports.run()
    assert (again.records, again.files) == ([], [])
    after_a_restart = scheduled(history).run()
    assert (after_a_restart.records, after_a_restart.files) == ([], [])


def test_what_was_missed_while_down_is_made_at_the_next_start_once(history: Terminal, folder: Path) -> None:
    history.ask_for(missed=chain(folder))
    (first,) = scheduled(history).run().records
    history.clock.step_wall(12 * 3600.0)  # the shifts from 14:00 and 22:00 are over; of the second nothing is stored
    made = scheduled(history).run()
    assert [record.raw["period"]["name"] for record in made.records] == ["2027-01-15 14:00"]
    assert made.records[0].number > first.number
    assert scheduled(history).run().records == []


def test_a_file_that_was_not_written_before_a_restart_is_written_then(history: Terminal, folder: Path) -> None:
    history.ask_for(torn=chain(folder))
    (path,) = scheduled(history).run().files
    content = path.read_bytes()
    path.unlink()
    made = scheduled(history).run()
    assert (made.records, made.files) == ([], [path])
    assert path.read_bytes() == content


def test_a_folder_that_cannot_be_written_is_told_and_tried_again(history: Terminal, folder: Path) -> None:
    folder.write_text("a file in the way")
    history.ask_for(in_the_way=chain(folder))
    reports = scheduled(history)
    made = reports.run()
    assert len(made.records) == 1
    assert "could not be made" in made.problems[0]
    assert "it is tried again" in made.problems[0]
    folder.unlink()
    again = reports.run()
    assert (again.records, again.problems) == ([], [])
    assert len(again.files) == 1


def test_without_the_extra_html_is_written_and_pdf_is_told(
    history: Terminal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    history.ask_for(no_extra=chain(folder, "pdf", "html"))
    made = scheduled(history).run()
    assert [path.suffix for path in made.files] == [".html"]
    assert "the extra `pdf` is not installed" in made.problems[0]


def test_one_report_that_fails_does_not_stop_the_others(
    history: Terminal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaking(*args: Any, schedule: str, **more: Any) -> ChainReport:
        if schedule == "breaks":
            raise RuntimeError("the disk hums")
        return chain_report(*args, schedule=schedule, **more)

    history.ask_for(breaks=chain(folder), works=chain(folder))
    reports = scheduled(history)
    with monkeypatch.context() as patch:
        patch.setattr("collector.records.scheduled.chain_report", breaking)
        made = reports.run()
    assert [record.raw["schedule"] for record in made.records] == ["works"]
    assert made.problems == ["report breaks of TB-07 could not be made (the disk hums); it is tried again"]
    again = reports.run()
    assert [record.raw["schedule"] for record in again.records] == ["breaks"]
    assert again.problems == []


def test_uptime_is_one_record_of_all_loops(history: Terminal, folder: Path) -> None:
    report = Report.model_validate({"what": "uptime", "every": "shift", "folder": folder})
    history.ask_for(all_loops=report)
    made = scheduled(history).run()
    assert [record.raw["loops"] for record in made.records] == [list(history.site.loops)]
    assert made.files[0].name.startswith("all-loops-2027-01-15-0600-no")


def test_a_loop_without_data_gets_no_record(history: Terminal, folder: Path) -> None:
    history.ask_for(nothing=chain(folder, loops=("TB-08",)))
    made = scheduled(history).run()
    assert (made.records, made.problems) == ([], [])


def test_a_file_is_whole_or_not_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "deep" / "file.html"
    write_whole(path, b"first")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("collector.records.scheduled.os.fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(path, b"second")
    assert path.read_bytes() == b"first"
    assert [item.name for item in path.parent.iterdir()] == ["file.html"]


def test_a_real_report_is_printed(history: Terminal, folder: Path) -> None:
    history.ask_for(printed=chain(folder))
    (record,) = scheduled(history).run().records
    assert pdf(record).startswith(b"%PDF-")


def test_a_break_of_the_chain_is_told_without_being_asked(history: Terminal, tmp_path: Path) -> None:
    state = StateDb(tmp_path / "state.db")
    book = RecordBook(state)
    for _ in range(3):
        book.add(uptime_report())
    reports = ScheduledReports(history.sources, book)
    assert reports.run().problems == []
    with state.transaction() as connection:
        connection.execute(RECORDS.update().where(RECORDS.c.number == 2).values(text="{}"))
    assert reports.run().problems == []  # it is walked once a day
    history.clock.step_wall(86400.0)
    told = ["the chain of records breaks at record 2: its content was changed"]
    assert reports.run().problems == told
    assert reports.run().problems == told
    state.close()
