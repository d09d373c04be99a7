"""A record as HTML: everything that a reader needs to trust it stands there, and nothing in it can do harm."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from xml.etree import ElementTree

import pytest

from collector.records.book import Record
from collector.records.chain import START, Linked, link
from collector.records.chain_report import ChainReport, TonnesPart
from collector.records.content import Head, local, plain
from collector.records.loop_check import LoopCheck
from collector.records.render import html, style_sheet
from collector.web.words import MINUS
from config.cautions import CAUTIONS
from tests.collector.records.examples import HEAD, MADE, calibration, chain_report, loop_check, restatement, uptime_report

EVERY = [loop_check(), chain_report(), uptime_report(), restatement(), calibration()]


def record_of(content: Head, number: int = 12) -> Record:
    made = link(Linked(number=number - 1, text="", before=START, sha256="cd" * 32), plain(content))
    return Record(number=made.number, text=made.text, before=made.before, sha256=made.sha256)


@pytest.mark.parametrize("content", EVERY, ids=lambda item: item.kind)
def test_every_kind_shows_what_a_record_must_show(content: Head) -> None:
    record = record_of(content)
    page = html(record)
    wanted = [
        "Record No. 12", record.content_sha256, record.before, record.sha256, content.software, content.site_sha256,
        content.site_title, content.TITLE, *content.loops, "2026-03-02 14:05:00 CST", "2026-03-02T20:05:00Z", "done by",
        "checked by", "signature", "Not a safety function, not legal for trade.", 'counter(page) " of "',
    ]  # fmt: skip
    for text in (*wanted, *CAUTIONS):
        assert text in page, text


def test_the_made_time_is_that_of_the_zone() -> None:
    # Source: Saskatchewan keeps CST = UTC-6 all year (IANA tz database).
    assert datetime.fromtimestamp(MADE, UTC).isoformat() == "2026-03-02T20:05:00+00:00"
    assert local(MADE, "America/Regina") == "2026-03-02 14:05:00 CST"


@pytest.mark.parametrize("content", EVERY, ids=lambda item: item.kind)
def test_the_same_record_reads_the_same(content: Head) -> None:
    assert html(record_of(content)) == html(record_of(content))


@pytest.mark.parametrize("content", EVERY, ids=lambda item: item.kind)
def test_pictures_are_whole_svg_without_style_or_script(content: Head) -> None:
    page = html(record_of(content))
    pictures = re.findall(r"<svg .*?</svg>", page, re.DOTALL)
    assert pictures or content.kind in ("restatement", "calibration")
    for picture in pictures:
        assert ElementTree.fromstring(picture).get("aria-label")
        assert "style=" not in picture
    assert "<script" not in page


def test_what_people_typed_is_shown_as_text() -> None:
    page = html(record_of(loop_check(remarks="<script>alert(1)</script>", by='"><img src=x>')))
    assert "<script" not in page
    assert "<img" not in page
    assert "&lt;script&gt;" in page


def test_the_loop_check_has_one_line_for_each_point_and_link_as_found_and_as_left() -> None:
    check: LoopCheck = loop_check()
    page = html(record_of(check))
    assert page.count("100 % up") == 2 * 4  # three links and both ends, twice
    assert page.count("75 % down") == 2 * 4
    assert f"{MINUS}16.00" in page
    assert page.index("As found</h2>") < page.index("Adjustment</h2>") < page.index("As left</h2>")
    assert page.index(CAUTIONS[0]) < page.index("As found</h2>")


def test_a_loop_check_without_adjustment_says_so() -> None:
    page = html(record_of(loop_check(adjustments=(), as_left=None)))
    assert "Nothing was adjusted." in page
    assert "As found and left" in page


def test_a_report_without_accounting_uptime_or_data_still_reads() -> None:
    bare = chain_report(
        findings=0, uptime=None, looked_at=None, links=(), bars=(), site_files=(),
        tonnes=TonnesPart(gauge=None, plc=None, own=None, note="The period was not accounted for."),
    )  # fmt: skip
    page = html(record_of(bare))
    assert "no link could be evaluated" in page
    assert "No finding stood" in page


def test_left_out_findings_are_counted() -> None:
    report: ChainReport = chain_report(findings=3, findings_left_out=7)
    page = html(record_of(report))
    assert "Findings (10)" in page
    assert "7 more findings" in page


def test_the_restatement_names_the_old_record_and_both_figures() -> None:
    page = html(record_of(restatement()))
    for text in ("Restates record No. 1", "ab" * 32, "K. Weber", "range of the PLC corrected", f"{MINUS}21.2"):
        assert text in page


@pytest.mark.parametrize(
    "text", ['{"kind":"calibration","loops":["TB-07"],"factor":1.02}', '{"kind":"loop check","content":2}', "{torn", "[1]"]
)
def test_a_content_without_a_form_is_shown_as_it_is(text: str) -> None:
    page = html(Record(number=1, text=text, before=START, sha256="ef" * 32))
    assert "Record No. 1" in page
    assert CAUTIONS[0] in page
    assert ("has no form" in page) == text.startswith('{"')


def test_on_the_web_the_style_sheet_is_a_file_of_its_own() -> None:
    page = html(record_of(chain_report()), style_href="/records/print.css?v=1", links=True)
    assert '<link rel="stylesheet" href="/records/print.css?v=1">' in page
    assert "<style>" not in page
    assert 'href="/records/12.pdf"' in page
    assert "url(" not in style_sheet()
    assert "@import" not in style_sheet()


def test_head_carries_the_version_of_the_program() -> None:
    assert HEAD["software"].startswith("tallywire ")
