"""The log as a chain: whatever is changed in it shows, and what is sent away shows what the chain itself cannot."""

from __future__ import annotations

import hashlib
import re
from datetime import date
from zoneinfo import ZoneInfo

import pytest
import sqlalchemy as sa

from collector.access.audit import NOT_KEPT, Action, audit_head, clean
from collector.history.access_tables import AUDIT
from tests.collector.access.conftest import Books

DAY = 1_799_971_200.0
"""2027-01-15 00:00 UTC."""


def action(time: float, who: str = "ortega", **new: object) -> Action:
    return Action(time=time, who=who, kind="account", address="192.0.2.5", what="POST /alerts/{alert}/{action}", new=new)


@pytest.fixture
def filled(books: Books) -> Books:
    for number in range(6):
        books.log.add(action(DAY + number * 43_200.0, "ortega" if number % 2 else "sandhu", number=number))
    return books


def test_entries_are_numbered_chained_and_hold(filled: Books) -> None:
    walked = filled.log.walk()
    assert (walked.count, walked.broken) == (6, None)
    assert walked.head is not None
    assert walked.head.number == 6
    with filled.state.transaction() as connection:
        rows = connection.execute(sa.select(AUDIT).order_by(AUDIT.c.number)).all()
    before = "0" * 64
    for row in rows:
        # SHA-256 as in FIPS 180-4 by the standard library, over the hash before, the number and the text.
        assert row.sha256 == hashlib.sha256(f"{before}\n{row.number}\n{row.text}".encode()).hexdigest()
        before = row.sha256


@pytest.mark.parametrize(
    ("spoil", "number", "why"),
    [
        ("UPDATE audit SET text = replace(text, 'sandhu', 'nobody') WHERE number = 3", 3, "content was changed"),
        ("DELETE FROM audit WHERE number = 3", 3, "missing"),
        ("UPDATE audit SET before = sha256 WHERE number = 4", 4, "does not follow"),
        ("UPDATE audit SET time = time - 86400 WHERE number = 5", 5, "not the time that it states"),
        ("UPDATE audit SET text = '{' WHERE number = 2", 2, "changed|not the time"),
    ],
)
def test_whatever_is_changed_shows(filled: Books, spoil: str, number: int, why: str) -> None:
    with filled.state.transaction() as connection:
        connection.exec_driver_sql(spoil)
    broken = filled.log.walk().broken
    assert broken is not None
    assert broken.number == number
    assert re.search(why, broken.reason)


def test_end_that_was_cut_off_shows_only_against_a_head_that_was_sent_away(filled: Books) -> None:
    head = audit_head(filled.state, date(2027, 1, 17))
    assert head is not None
    assert head.number == 6
    assert filled.log.walk(kept=(6, head.sha256[:12])).broken is None
    with filled.state.transaction() as connection:
        connection.exec_driver_sql("DELETE FROM audit WHERE number > 4")
    assert filled.log.walk().broken is None
    broken = filled.log.walk(kept=(6, head.sha256[:12])).broken
    assert broken is not None
    assert (broken.number, broken.reason) == (6, "it is missing at the end")


def test_chain_that_was_made_anew_shows_only_against_a_head_that_was_sent_away(filled: Books) -> None:
    head = audit_head(filled.state, date(2027, 1, 15))
    assert head is not None
    with filled.state.transaction() as connection:
        connection.execute(AUDIT.delete())
    for number in range(6):
        filled.log.add(action(DAY + number * 43_200.0, "another", number=number))
    assert filled.log.walk().broken is None
    assert filled.log.walk(kept=(head.number, head.sha256)).broken is not None


def test_head_of_a_day_is_its_last_entry_in_the_zone_of_the_site(filled: Books) -> None:
    first = audit_head(filled.state, date(2027, 1, 15))
    assert first is not None
    assert (first.number, first.time) == (2, DAY + 43_200.0)
    west = audit_head(filled.state, date(2027, 1, 15), ZoneInfo("America/Regina"))
    assert west is not None
    assert west.number == 3
    assert audit_head(filled.state, date(2027, 1, 14)) is None
    later = audit_head(filled.state, date(2027, 3, 1))
    assert later is not None
    assert later.number == 6


def test_entries_are_found_by_time_by_person_and_page_by_page(filled: Books) -> None:
    assert [entry.number for entry in filled.log.newest(most=2)] == [6, 5]
    assert [entry.number for entry in filled.log.newest(before=5, most=2)] == [4, 3]
    assert [entry.number for entry in filled.log.newest(who="sandhu")] == [5, 3, 1]
    assert [entry.number for entry in filled.log.newest(begin=DAY + 43_200, end=DAY + 3 * 43_200)] == [3, 2]


def test_secrets_are_left_out_by_name_long_texts_are_cut_and_everything_can_be_kept(books: Books) -> None:
    kept = clean({
        "password": "hunter2", "token": "t", "api_key": "k", "new_password": "x", "reason": "y" * 5000,
        "nested": {"Authorization": "Bearer z", "n": float("nan"), "list": [1, {"secret": 2}]}, "odd": "\ud800", "none": None,
    })  # fmt: skip
    for name in ("password", "token", "api_key", "new_password"):
        assert kept[name] == NOT_KEPT
    assert kept["nested"] == {"Authorization": NOT_KEPT, "n": "nan", "list": [1, {"secret": NOT_KEPT}]}
    assert len(kept["reason"]) < 2100
    assert kept["reason"].endswith("(5000 signs)")
    books.log.add(action(DAY, **kept))
    assert books.log.walk().broken is None


def test_entry_that_was_damaged_is_still_listed(filled: Books) -> None:
    with filled.state.transaction() as connection:
        connection.exec_driver_sql("UPDATE audit SET text = 'x' WHERE number = 6")
    assert filled.log.newest(most=1)[0].action.what == "(this entry cannot be read)"
