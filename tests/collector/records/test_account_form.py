"""The account of a closed period has a form of its own, on screen and on paper."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import pytest
from pypdf import PdfReader

from collector.accounts.closing import Accountant
from collector.clock import ManualClock
from collector.history.state import StateDb
from collector.records.book import Record, RecordBook
from collector.records.paper import pdf
from collector.records.render import html
from config.cautions import CAUTIONS
from tests.collector.accounts import site
from tests.collector.web import plant


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    state = StateDb(tmp_path / "state.db")
    book = RecordBook(state)
    accountant = Accountant(plant.site(), plant.SHA, site.history(), site.desk().past, ManualClock(float(site.NOW)), book)
    yield accountant.close("TB-07", "day", "2026-02-27", by="K. Weber", reason="end of the month <b>")
    state.close()


def test_the_account_shows_tonnes_uncertainty_parts_and_what_it_rests_on(record: Record) -> None:
    page = html(record)
    # 24 h at 240 t/h, of which the PLC booked 84 % (tests/collector/accounts).
    for text in ("5\N{NARROW NO-BREAK SPACE}760.0", "4\N{NARROW NO-BREAK SPACE}838.4", "921.6", "2026-02-27 14:00", "K. Weber"):
        assert text in page
    assert "end of the month &lt;b&gt;" in page
    assert "has no form" not in page
    assert all(text in page for text in CAUTIONS)


def test_the_account_is_printed(record: Record) -> None:
    reader = PdfReader(io.BytesIO(pdf(record)))
    text = "".join("".join(page.extract_text() for page in reader.pages).split())
    assert record.sha256 in text
    assert "AccountofaperiodTB-07" in text
