"""A record as PDF, through the optional extra `pdf`; nothing but packaged files is ever fetched for it."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any
from urllib.error import URLError

from collector.records.book import Record
from collector.records.render import html, style_sheet
from config.errors import TallywireError

if TYPE_CHECKING:
    from weasyprint.urls import URLFetcher

PACKAGED = {"packaged:print.css": (style_sheet, "text/css")}
"""What a record may ask for."""
_one_at_a_time = threading.Lock()


class PdfError(TallywireError):
    """PDF cannot be made on this machine."""


def pdf(record: Record) -> bytes:
    """The record on A4.

    Raises
    ------
    PdfError
        The extra or its libraries are missing; the HTML of the same record needs neither.
    """
    printer = _printer()
    page = html(record, style_href="packaged:print.css")
    with _one_at_a_time:
        made: bytes | None = printer.HTML(string=page, url_fetcher=fetcher(), base_url="packaged:").write_pdf(
            pdf_identifier=record.sha256.encode(), pdf_tags=True
        )
    assert made is not None
    return made


def fetcher() -> URLFetcher:
    """Gives the packaged files by their name; any other address (file, http, data) is refused."""
    urls = _printer().urls

    class Packaged(urls.URLFetcher):  # type: ignore[misc, name-defined]
        def fetch(self, url: str, headers: dict[str, str] | None = None) -> Any:
            if url not in PACKAGED:
                raise URLError(f"a record fetches nothing but packaged files, not {url}")
            read, media_type = PACKAGED[url]
            return urls.URLFetcherResponse(url, body=read(), headers={"Content-Type": f"{media_type}; charset=utf-8"})

    made: URLFetcher = Packaged()
    return made


def _printer() -> Any:
    try:
        import weasyprint
        import weasyprint.urls
    except (ImportError, OSError) as error:  # OSError: the package is there, a library of the system is not
        missing = (
            "the extra `pdf` is not installed" if isinstance(error, ImportError) else f"a library is missing ({_short(error)})"
        )
        raise PdfError(
            f"PDF cannot be made here: {missing}",
            fix="pip install 'tallywire[pdf]' and, on Debian, apt-get install libpango-1.0-0 libpangoft2-1.0-0 "
            "libharfbuzz-subset0 fonts-dejavu-core; until then use HTML, which every browser prints",
        ) from error
    return weasyprint


def _short(error: Exception) -> str:
    return " ".join(str(error).split())[:120]
