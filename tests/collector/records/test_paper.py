"""The PDF of a record: its text, its pages, and that nothing outside the package is fetched for it."""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path
from typing import cast
from urllib.error import URLError

import pytest
from pypdf import PdfReader
from pypdf.generic import DictionaryObject

from collector.records import paper
from collector.records.content import Head
from config.cautions import CAUTIONS
from tests import FULL
from tests.collector.records.examples import calibration, chain_report, loop_check, restatement, uptime_report
from tests.collector.records.test_render import record_of

A4 = (595.28, 841.89)
"""Width and height of A4 [pt]. Source: ISO 216, 210 x 297 mm."""


def text_of(pdf: bytes) -> tuple[str, int]:
    reader = PdfReader(io.BytesIO(pdf))
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split()), len(reader.pages)


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


@pytest.mark.parametrize(
    "content", [loop_check(), chain_report(), uptime_report(), restatement(), calibration()], ids=lambda item: item.kind
)
def test_paper_carries_number_hashes_cautions_and_pages(content: Head) -> None:
    record = record_of(content)
    made = paper.pdf(record)
    text, pages = text_of(made)
    for wanted in ("Record No. 12", "Not a safety function, not legal for trade.", f"page {pages} of {pages}", "checked by"):
        assert wanted in text
    for long in (record.sha256, record.before, record.content_sha256, *CAUTIONS):
        assert squeezed(long) in squeezed(text)
    root = cast(DictionaryObject, PdfReader(io.BytesIO(made)).trailer["/Root"])
    assert str(root["/Lang"]) == "en"
    assert cast(DictionaryObject, root["/MarkInfo"])["/Marked"]  # a tagged document: screen readers find their way
    box = PdfReader(io.BytesIO(made)).pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(A4, abs=0.1)


def test_pictures_are_vectors() -> None:
    reader = PdfReader(io.BytesIO(paper.pdf(record_of(chain_report()))))
    assert [image for page in reader.pages for image in page.images] == []


MANY = 500 if FULL else 80
"""Findings of a long record; 500 with TALLYWIRE_FULL=1."""


def test_a_record_with_hundreds_of_findings_is_printed_whole() -> None:
    text, pages = text_of(paper.pdf(record_of(chain_report(findings=MANY))))
    assert text.count("scaling: ends differ") == MANY
    assert pages > MANY / 25
    assert f"page {pages} of {pages}" in text


@pytest.mark.parametrize(
    "url",
    ["http://127.0.0.1:1/x.css", "https://example.com/x.css", "ftp://example.com/x", "data:text/css,p{}", "packaged:other.css",
     "packaged:print.css?x", "/etc/passwd"],
)  # fmt: skip
def test_the_fetcher_refuses_everything_but_packaged_files(url: str) -> None:
    with pytest.raises(URLError, match="nothing but packaged files"):
        paper.fetcher().fetch(url)


def test_the_fetcher_refuses_a_file_that_is_there(tmp_path: Path) -> None:
    there = tmp_path / "there.css"
    there.write_text("p { color: red }")
    for url in (there.as_uri(), str(there)):
        with pytest.raises(URLError, match="nothing but packaged files"):
            paper.fetcher().fetch(url)


def test_the_style_sheet_is_packaged() -> None:
    assert b"@page" in paper.fetcher().fetch("packaged:print.css").read()


def test_without_the_extra_there_is_one_clear_message(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(paper.PdfError, match="the extra `pdf` is not installed") as caught:
        paper.pdf(record_of(chain_report()))
    assert "tallywire[pdf]" in caught.value.fix
    assert "HTML" in caught.value.fix
