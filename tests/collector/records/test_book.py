"""The book: numbers, lists, and finds where somebody touched it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.history.state import StateDb
from collector.history.tables import RECORDS
from collector.records.book import RecordBook, printed_hash
from collector.records.chain import Break
from collector.records.content import Head, plain
from config.errors import TallywireError
from tests.collector.records.examples import BEGIN, MADE, calibration, chain_report, loop_check, restatement, uptime_report


@pytest.fixture
def state(tmp_path: Path) -> Iterator[StateDb]:
    opened = StateDb(tmp_path / "state.db")
    yield opened
    opened.close()


@pytest.fixture
def book(state: StateDb) -> RecordBook:
    made = RecordBook(state)
    for content in (loop_check(), chain_report(), uptime_report(), restatement(), chain_report()):
        made.add(content)
    return made


def test_same_content_has_the_same_hash_whatever_its_number(book: RecordBook) -> None:
    assert [book.find(number) for number in (0, -1, 6, 2**63, 10**30)] == [None] * 5
    second, fifth = book.find(2), book.find(5)
    assert second is not None
    assert fifth is not None
    assert second.content_sha256 == fifth.content_sha256
    assert second.sha256 != fifth.sha256
    # Source: FIPS 180-4 by the standard library, over what the record itself says.
    again = hashlib.sha256(f"{second.before}\n2\n{second.text}".encode()).hexdigest()
    assert again == second.sha256


@pytest.mark.parametrize(
    "content", [loop_check(), chain_report(), uptime_report(), restatement(), calibration()], ids=lambda item: item.kind
)
def test_every_kind_comes_back_as_it_was(state: StateDb, content: Head) -> None:
    number = RecordBook(state).add(content).number
    found = RecordBook(state).find(number)
    assert found is not None
    assert found.content == content
    assert found.raw == plain(content)


def test_an_untouched_book_is_unbroken(book: RecordBook) -> None:
    found = book.verify()
    assert (found.count, found.broken) == (5, None)
    assert found.newest == book.find(5)


def test_a_changed_figure_is_found_with_its_number(book: RecordBook, state: StateDb) -> None:
    second = book.find(2)
    assert second is not None
    with state.transaction() as connection:
        changed = second.text.replace("2101.4", "2180.4")
        assert changed != second.text
        connection.execute(RECORDS.update().where(RECORDS.c.number == 2).values(text=changed))
    assert book.verify().broken == Break(number=2, reason="its content was changed")


def test_a_removed_record_is_found_with_its_number(book: RecordBook, state: StateDb) -> None:
    with state.transaction() as connection:
        connection.execute(RECORDS.delete().where(RECORDS.c.number == 3))
    assert book.verify().broken == Break(number=3, reason="number 3 is missing, 4 follows")


def test_a_cut_end_is_found_by_the_paper(book: RecordBook, state: StateDb) -> None:
    last = book.find(5)
    assert last is not None
    with state.transaction() as connection:
        connection.execute(RECORDS.delete().where(RECORDS.c.number == 5))
    assert book.verify().broken is None
    assert book.verify(printed=(5, last.sha256)).broken == Break(number=5, reason="it is missing at the end")


def test_a_record_is_compared_with_the_first_signs_of_its_hash(book: RecordBook) -> None:
    third = book.find(3)
    assert third is not None
    assert book.verify(printed=printed_hash("3", third.sha256[:8].upper())).broken is None
    other = "0" * 8 if not third.sha256.startswith("0" * 8) else "1" * 8
    assert book.verify(printed=(3, other)).broken == Break(number=3, reason="it is not the one that was kept elsewhere")


@pytest.mark.parametrize(("number", "signs"), [("x", "ab" * 8), ("0", "ab" * 8), ("3", "abc"), ("3", "xyzxyzxyz")])
def test_what_is_no_hash_is_refused(number: str, signs: str) -> None:
    with pytest.raises(TallywireError, match="no record number with its hash"):
        printed_hash(number, signs)


def test_a_text_that_is_no_json_any_more_is_listed_and_found(book: RecordBook, state: StateDb) -> None:
    with state.transaction() as connection:
        connection.execute(RECORDS.update().where(RECORDS.c.number == 4).values(text="{torn"))
    assert [line.kind for line in book.lines()][1] == "record"
    found = book.find(4)
    assert found is not None
    assert (found.content, found.raw) == (None, {})
    assert book.verify().broken == Break(number=4, reason="its content was changed")


def test_the_list_is_filtered_by_loop_kind_and_time(book: RecordBook) -> None:
    assert [line.number for line in book.lines()] == [5, 4, 3, 2, 1]
    assert [line.number for line in book.lines(kind="chain report")] == [5, 2]
    assert [line.number for line in book.lines(loop="TB-08")] == [3]
    assert [line.number for line in book.lines(begin=BEGIN + 8 * 3600)] == [1]  # by the day it was made: it is about no time
    assert [line.number for line in book.lines(begin=BEGIN, end=BEGIN + 1)] == [5, 4, 3, 2]
    assert [line.number for line in book.lines(end=int(MADE))] == [5, 4, 3, 2]
    assert [line.number for line in book.lines(most=2)] == [5, 4]


def test_the_newest_record_of_a_schedule_is_known(state: StateDb) -> None:
    book = RecordBook(state)
    assert book.latest_scheduled("shift-chain", ("TB-07",)) is None
    book.add(chain_report(schedule="shift-chain"))
    book.add(chain_report())
    assert book.latest_scheduled("shift-chain", ("TB-07",)) == BEGIN
    assert book.latest_scheduled("shift-chain", ("TB-08",)) is None
    found = book.scheduled("shift-chain", ("TB-07",), BEGIN)
    assert found is not None
    assert found.number == 1


def test_a_long_book_is_walked_and_listed_in_pieces(state: StateDb, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.records.book.AT_A_TIME", 2)
    book = RecordBook(state)
    for number in range(7):
        book.add(chain_report(by=f"person {number}") if number % 2 else restatement())
    assert [line.number for line in book.lines()] == [7, 6, 5, 4, 3, 2, 1]
    assert [line.number for line in book.lines(kind="chain report", most=2)] == [6, 4]
    found = book.verify()
    assert (found.count, found.broken, found.newest) == (7, None, book.find(7))
    with state.transaction() as connection:
        connection.execute(RECORDS.update().where(RECORDS.c.number == 5).values(before="0" * 64))
    found = book.verify()
    assert (found.count, found.broken) == (7, Break(number=5, reason="it does not follow from the one before"))
