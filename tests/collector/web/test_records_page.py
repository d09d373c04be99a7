"""The pages of the records and their twins over REST."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from checks.blocks import Blocks
from checks.reliability.timeline import Annotation, LoopState
from collector.clock import ManualClock
from collector.history.state import StateDb
from collector.history.tables import RECORDS
from collector.live import LiveState
from collector.records.book import Record, RecordBook
from collector.records.desk import RecordDesk
from collector.records.sources import Sources
from collector.web import records_page
from collector.web.app import create_app
from config.cautions import CAUTIONS
from tests.checks.reliability.test_timeline import BEGIN, blocks
from tests.collector.records.examples import chain_report, loop_check, uptime_report
from tests.collector.web import plant
from tests.collector.web.conftest import Served

NIGHT = "2026-03-01 22:00"
"""The shift from 04:00 to 12:00 UTC."""
ASKED = {"loop": "TB-07", "period": {"kind": "shift", "name": NIGHT}, "by": "R. Sandhu"}


class Rolled(plant.MemoryStore):
    """Twelve loaded hours of TB-07."""

    def rollups(self, loop: str, length_s: int, begin: int, end: int) -> Blocks | None:
        every = blocks([(minute, "loaded", 1.0) for minute in range(720)])
        every = every.with_arrays({"increment_t": np.full((720, 2), 4.0), "own_t": np.full(720, 4.0)})
        kept = np.flatnonzero((every.start_s >= begin) & (every.start_s < end))
        if loop != "TB-07" or length_s != 60 or not len(kept):
            return None
        return every[slice(int(kept[0]), int(kept[-1]) + 1)]


class Kept(Served):
    """The application with a book in which three records lie."""

    state: StateDb
    book: RecordBook


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Kept]:
    live, desk, store, clock = plant.healthy(), plant.MemoryDesk(), Rolled(), ManualClock(plant.NOW)
    state = StateDb(tmp_path / "state.db")
    sources = Sources(
        site=live.site, site_sha256=plant.SHA, store=store, past=desk.past, versions=list, clock=clock
    )  # fmt: skip
    book = RecordBook(state)
    app = create_app(live, store, desk, clock, port=8460, records=RecordDesk(book, sources))
    kept = Kept(app, live, desk, store, clock)
    kept.state, kept.book = state, book
    for content in (loop_check(), chain_report(), uptime_report()):
        book.add(content)
    yield kept
    state.close()


def found(served: Kept, number: int) -> Record:
    record = served.book.find(number)
    assert record is not None
    return record


async def test_the_list_shows_every_record_with_its_paper(served: Kept) -> None:
    text = (await served.get("/records")).text
    for number in (1, 2, 3):
        assert f'href="/records/{number}"' in text
        assert f'href="/records/{number}.pdf"' in text
        assert found(served, number).sha256[:12] in text


@pytest.mark.parametrize(
    ("query", "numbers"),
    [
        ("loop=TB-08", {3}), ("kind=loop+check", {1}), ("from=2026-03-03", set()), ("from=2026-03-02&to=2026-03-02", {1, 2, 3}),
        ("to=2026-03-01", set()),
    ],
)  # fmt: skip
async def test_the_list_is_filtered(served: Kept, query: str, numbers: set[int]) -> None:
    text = (await served.get(f"/records?{query}")).text
    assert {number for number in (1, 2, 3) if f'href="/records/{number}"' in text} == numbers


async def test_the_button_says_that_the_chain_is_unbroken(served: Kept) -> None:
    text = (await served.get("/records?verify=chain")).text
    assert "<strong>Unbroken</strong>: 3 records" in text
    given = (await served.get(f"/records?verify=2&sha256={found(served, 2).sha256}")).text
    assert "Record 2 has the hash that was given." in given


async def test_the_button_says_where_the_chain_breaks(served: Kept) -> None:
    with served.state.transaction() as connection:
        connection.execute(RECORDS.update().where(RECORDS.c.number == 2).values(text='{"kind":"chain report"}'))
    text = (await served.get("/records?verify=chain")).text
    assert "<strong>The chain breaks at record 2</strong>: its content was changed" in text
    body = (await served.get("/api/v1/records/verify")).json()
    assert (body["unbroken"], body["breaks_at"], body["reason"]) == (False, 2, "its content was changed")


async def test_a_record_is_a_page_of_its_own_that_the_policy_lets_through(served: Kept) -> None:
    answer = await served.get("/records/2")
    assert answer.status_code == 200
    assert "style=" not in answer.text
    assert "<style>" not in answer.text
    assert all(text in answer.text for text in CAUTIONS)
    assert found(served, 2).sha256 in answer.text
    sheet = await served.get("/records/print.css?v=1")
    assert sheet.headers["content-type"].startswith("text/css")
    assert "@page" in sheet.text


async def test_a_record_is_given_as_pdf(served: Kept) -> None:
    answer = await served.get("/records/3.pdf")
    for _ in range(20):  # on a slow machine it is still being made, and each answer waits for some seconds
        if "Retry-After" not in answer.headers:
            break
        answer = await served.get("/records/3.pdf")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/pdf")
    assert answer.content.startswith(b"%PDF-")


async def test_without_the_extra_the_pdf_is_refused_with_the_remedy(served: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    answer = await served.get("/records/3.pdf")
    assert answer.status_code == 503
    assert "tallywire[pdf]" in answer.text
    assert (await served.get("/records/3")).status_code == 200


async def test_a_long_pdf_is_made_in_the_background(served: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    ready = asyncio.Event()
    loop = asyncio.get_running_loop()

    def slow(record: Record) -> bytes:
        asyncio.run_coroutine_threadsafe(ready.wait(), loop).result()
        return b"%PDF-slow"

    monkeypatch.setattr(records_page, "pdf", slow)
    monkeypatch.setattr(records_page, "PATIENCE_S", 0.0)
    waiting = await served.get("/records/2.pdf")
    assert (waiting.status_code, waiting.headers["retry-after"]) == (503, "10")
    ready.set()
    monkeypatch.setattr(records_page, "PATIENCE_S", 10.0)
    assert (await served.get("/records/2.pdf")).content == b"%PDF-slow"


@pytest.mark.parametrize("path", ["/records/9", "/records/0", "/records/9.pdf", f"/records/{2**70}", "/api/v1/records/9"])
async def test_a_number_that_is_not_there_is_404(served: Kept, path: str) -> None:
    assert (await served.get(path)).status_code == 404


async def test_a_report_is_made_by_the_form_and_shown(served: Kept) -> None:
    form = served.form(loop="TB-07", span="shift", period=NIGHT, name="R. Sandhu")
    answer = await served.post("/records", data=form)
    assert (answer.status_code, answer.headers["location"]) == (303, "/records/4")
    page = (await served.get("/records/4")).text
    assert "R. Sandhu" in page
    assert "1\N{NARROW NO-BREAK SPACE}920.0" in page  # 480 minutes of 4 t
    assert served.book.verify().broken is None


@pytest.mark.parametrize(
    "changed", [{"name": " "}, {"loop": "TB-99"}, {"span": "year"}, {"period": "2026-03-01 23:00"}, {"period": "2027-01-01"},
                {"loop": "TB-08"}],
)  # fmt: skip
async def test_a_report_that_does_not_fit_is_refused_with_the_reason(served: Kept, changed: dict[str, str]) -> None:
    form = served.form(**({"loop": "TB-07", "span": "shift", "period": NIGHT, "name": "R. Sandhu"} | changed))
    answer = await served.post("/records", data=form)
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text
    assert served.book.verify().count == 3


@pytest.mark.parametrize("path", ["/records", "/records/restate"])
async def test_a_form_of_an_earlier_run_is_refused(served: Kept, path: str) -> None:
    assert (await served.post(path, data={"token": "old"})).status_code == 403


async def test_a_report_is_restated_by_the_form(served: Kept) -> None:
    made = (await served.post("/api/v1/records/chain-report", json=ASKED)).json()
    same = served.form(number=str(made["number"]), reason="belt test", name="K. Weber")
    assert "nothing has changed" in (await served.post("/records/restate", data=same)).text
    served.store.annotate(
        Annotation(
            loop="TB-07", begin=BEGIN + 5 * 3600, end=BEGIN + 6 * 3600, state=LoopState.MAINTENANCE, by="K. Weber",
            reason="belt test", made=plant.NOW,
        )
    )  # fmt: skip
    answer = await served.post("/records/restate", data=same)
    assert answer.status_code == 303
    page = (await served.get(answer.headers["location"])).text
    assert f"Restates record No. {made['number']}" in page
    assert made["sha256"] in page
    for wrong in ({"number": "x"}, {"number": "99"}, {"reason": ""}):
        assert (await served.post("/records/restate", data=same | wrong)).status_code == 422


async def test_rest_lists_shows_makes_and_verifies(served: Kept) -> None:
    answer = await served.post("/api/v1/records/chain-report", json=ASKED)
    assert answer.status_code == 201
    made = answer.json()
    assert (made["number"], made["content"]["period"]["name"], made["cautions"]) == (4, NIGHT, list(CAUTIONS))
    assert (await served.get("/api/v1/records/4")).json() == made
    lines = (await served.get("/api/v1/records?kind=chain%20report&loop=TB-07")).json()
    assert [line["number"] for line in lines] == [4, 2]
    assert (lines[0]["begin"], lines[0]["end"]) == ("2026-03-02T04:00:00Z", "2026-03-02T12:00:00Z")
    timed = (await served.get("/api/v1/records?from=2026-03-02T04:00:00Z&to=2026-03-02T05:00:00Z")).json()
    assert [line["number"] for line in timed] == [4]
    checked = (await served.get(f"/api/v1/records/verify?number=4&sha256={made['sha256'][:12]}")).json()
    assert checked == {"unbroken": True, "records": 4, "newest": made["sha256"], "breaks_at": None, "reason": ""}


@pytest.mark.parametrize(
    ("path", "status"),
    [("/api/v1/records?loop=none", 404), ("/api/v1/records/verify?number=1&sha256=x", 422), ("/records?from=x", 422),
     ("/api/v1/records?from=2026-03-02T05:00:00Z&to=2026-03-02T04:00:00Z", 422), ("/records?verify=1&sha256=zz", 422)],
)  # fmt: skip
async def test_what_does_not_fit_is_refused(served: Kept, path: str, status: int) -> None:
    assert (await served.get(path)).status_code == status


@pytest.mark.parametrize(
    ("changed", "status"),
    [({"loop": "TB-99"}, 404), ({"by": " "}, 422), ({"period": {"kind": "year", "name": "2026"}}, 422), ({"more": 1}, 422),
     ({"period": {"kind": "day", "name": "2999-01-01"}}, 409), ({"loop": "TB-08"}, 409)],
)  # fmt: skip
async def test_rest_refuses_a_report_that_cannot_be(served: Kept, changed: dict[str, object], status: int) -> None:
    assert (await served.post("/api/v1/records/chain-report", json=ASKED | changed)).status_code == status


async def test_rest_restates_only_reports(served: Kept) -> None:
    body = {"by": "K. Weber", "reason": "belt test"}
    assert (await served.post("/api/v1/records/1/restate", json=body)).status_code == 409
    assert (await served.post("/api/v1/records/99/restate", json=body)).status_code == 404
    assert (await served.post("/api/v1/records/2/restate", json=body | {"reason": " "})).status_code == 422


async def test_without_a_history_there_are_no_records() -> None:
    live: LiveState = plant.healthy()
    app = create_app(live, None, plant.MemoryDesk(), ManualClock(plant.NOW), port=8460)
    served = Served(app, live, plant.MemoryDesk(), plant.MemoryStore(), ManualClock(plant.NOW))
    for path in ("/records", "/records/1", "/records/1.pdf", "/api/v1/records", "/api/v1/records/verify"):
        assert (await served.get(path)).status_code == 503
