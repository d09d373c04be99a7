"""Closing a period makes a record; a restatement is a new record beside it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from checks.reliability.timeline import LoopState
from collector.accounts.closing import Accountant, Closed
from collector.accounts.periods import period_named
from collector.clock import ManualClock
from collector.history.state import StateDb
from collector.records.book import RecordBook
from config.errors import TallywireError
from tests.collector.accounts import site
from tests.collector.accounts.histories import Kept, noted
from tests.collector.web import plant

DAY = "2026-02-27"
SITE = plant.site()


@pytest.fixture
def store() -> Kept:
    return site.history()


@pytest.fixture
def book(tmp_path: Path) -> Iterator[RecordBook]:
    state = StateDb(tmp_path / "state.db")
    yield RecordBook(state)
    state.close()


@pytest.fixture
def accountant(store: Kept, book: RecordBook) -> Accountant:
    return Accountant(SITE, plant.SHA, store, site.desk().past, ManualClock(float(site.NOW)), book)


def closed(accountant: Accountant, loop: str = "TB-07") -> Closed:
    found = accountant.closed(loop, period_named(SITE, "day", DAY))
    assert found is not None
    return found


def test_closing_keeps_the_account_of_the_period(accountant: Accountant) -> None:
    record = accountant.close("TB-07", "day", DAY, by="K. Weber")
    found = closed(accountant)
    assert (found.record.number, found.versions, found.content.restates) == (record.number, 1, None)
    tonnes = found.content.tonnes
    # 24 h at 240 t/h, of which the PLC booked 84 %.
    assert (tonnes.best, tonnes.plc) == pytest.approx((5760.0, 4838.4))
    assert tonnes.difference == pytest.approx(-921.6)
    assert [row.period.name for row in found.content.rows] == [f"{DAY} {shift}" for shift in ("06:00", "14:00", "22:00")]
    assert sum(row.best or 0.0 for row in found.content.rows) == pytest.approx(5760.0)
    assert [gap.method for gap in found.content.not_measured] == ["PLC total"]
    assert found.content.at_gauge[0].name == "stale tare"
    assert found.content.statements[1].startswith("Whether the tonnes are right is not evaluated")
    assert sum(piece.tonnes for piece in found.content.by_cause) == pytest.approx(-921.6)


def test_restatement_names_the_record_before_and_leaves_it_as_it_is(
    accountant: Accountant, store: Kept, book: RecordBook
) -> None:
    first = accountant.close("TB-07", "day", DAY, by="K. Weber")
    period = period_named(SITE, "day", DAY)
    store.annotate(noted(period.begin, period.begin + 3600, LoopState.NOT_MEASURING))
    second = accountant.restate(first.number, by="R. Ortega", reason="the shutter was closed for an hour")
    assert second is not None
    kept = book.find(first.number)
    assert kept is not None
    assert (kept.text, kept.sha256) == (first.text, first.sha256)
    found = closed(accountant)
    assert (found.record.number, found.versions) == (second.number, 2)
    assert (found.content.restates, found.content.restates_sha256) == (first.number, first.sha256)
    assert (found.content.by, found.content.reason) == ("R. Ortega", "the shutter was closed for an hour")
    assert book.verify().broken is None


def test_closed_period_is_not_closed_again(accountant: Accountant) -> None:
    accountant.close("TB-07", "day", DAY, by="K. Weber")
    with pytest.raises(TallywireError, match="is closed already, by record 1"):
        accountant.close("TB-07", "day", DAY, by="K. Weber")
    assert accountant.close("TB-07", "shift", f"{DAY} 06:00", by="K. Weber").number == 2
    assert accountant.close("TB-08", "day", DAY, by="K. Weber").number == 3


def test_all_loops_close_at_once_but_those_of_which_nothing_is_stored(accountant: Accountant) -> None:
    made = accountant.close_all("day", DAY, by="K. Weber")
    assert [json.loads(record.text)["loops"] for record in made] == [["TB-07"], ["TB-08"]]
    with pytest.raises(TallywireError, match="is closed already"):
        accountant.close_all("day", DAY, by="K. Weber")


@pytest.mark.parametrize(
    ("kind", "name", "why"),
    [
        ("day", "2026-03-03", "has not ended"), ("month", "2026-03", "has not ended"), ("day", "yesterday", "is no day"),
        ("month", "2026-13", "is no month"), ("shift", f"{DAY} 07:00", "is no shift"), ("day", "2026-01-05", "nothing is stored"),
    ],
)  # fmt: skip
def test_what_cannot_be_closed_is_refused(accountant: Accountant, kind: str, name: str, why: str) -> None:
    with pytest.raises(TallywireError, match=why):
        accountant.close("TB-07", kind, name, by="K. Weber")  # type: ignore[arg-type]


def test_restatement_without_change_reason_or_name_is_refused(accountant: Accountant, store: Kept) -> None:
    first = accountant.close("TB-07", "day", DAY, by="K. Weber")
    with pytest.raises(TallywireError, match="nothing has changed"):
        accountant.restate(first.number, by="R. Ortega", reason="to be sure")
    with pytest.raises(TallywireError, match="needs a name and a reason"):
        accountant.restate(first.number, by=" ", reason="to be sure")
    assert accountant.restate(99, by="R. Ortega", reason="to be sure") is None


def test_only_the_newest_record_of_a_period_is_restated(accountant: Accountant, store: Kept) -> None:
    first = accountant.close("TB-07", "day", DAY, by="K. Weber")
    period = period_named(SITE, "day", DAY)
    store.annotate(noted(period.begin, period.begin + 3600, LoopState.NOT_MEASURING))
    accountant.restate(first.number, by="R. Ortega", reason="shutter closed")
    with pytest.raises(TallywireError, match="was restated by record 2"):
        accountant.restate(first.number, by="R. Ortega", reason="again")


def test_without_a_book_nothing_is_closed(store: Kept) -> None:
    alone = Accountant(SITE, plant.SHA, store, site.desk().past, ManualClock(float(site.NOW)), None)
    assert not alone.keeps
    with pytest.raises(TallywireError, match="keeps no records"):
        alone.close("TB-07", "day", DAY, by="K. Weber")


def test_reports_get_the_balance_of_their_period(accountant: Accountant) -> None:
    period = period_named(SITE, "day", DAY)
    found = accountant.account("TB-07", period)
    assert found is not None
    balance, bridge = found
    assert balance.best == pytest.approx(5760.0)
    assert bridge is not None
    assert bridge.difference == pytest.approx(-921.6)
    assert accountant.account("TB-09", period) is None
    assert accountant.account("TB-07", replace(period, begin=site.NOW, end=site.NOW + 86400)) is None
