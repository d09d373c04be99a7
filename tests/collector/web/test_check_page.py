"""The guided loop check on its page and over REST, from the first point to the numbered record."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from checks.samples import GOOD
from collector.history.state import StateDb
from collector.live import LiveState
from collector.reading import Reading
from collector.records.book import RecordBook
from collector.records.desk import RecordDesk
from collector.records.sources import Sources
from collector.web.app import create_app
from collector.web.check_page import example
from config.cautions import CAUTIONS
from tests.collector.commissioning.instant import Instant
from tests.collector.web import plant
from tests.collector.web.conftest import Served

LOOP = "TB-07"
PAGE = f"/loops/{LOOP}/check"
REST = f"/api/v1/loops/{LOOP}/check"


class Kept(Served):
    """The application with a book and a folder for checks on their way."""

    book: RecordBook
    folder: Path


def served_from(folder: Path, state: StateDb) -> Kept:
    live, desk, store, clock = plant.healthy(), plant.MemoryDesk(), plant.MemoryStore(), Instant(plant.NOW)
    sources = Sources(site=live.site, site_sha256=plant.SHA, store=store, past=desk.past, versions=list, clock=clock)
    book = RecordBook(state)
    app = create_app(live, store, desk, clock, port=8460, records=RecordDesk(book, sources), folder=folder)
    kept = Kept(app, live, desk, store, clock)
    kept.book, kept.folder = book, folder
    return kept


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Kept]:
    state = StateDb(tmp_path / "state.db")
    yield served_from(tmp_path, state)
    state.close()


def show(live: LiveState, percent: float, high: float) -> None:
    """What the stations show at a point where the block scales to `high` t/h."""
    loop = live.site.loops[LOOP]
    raw = loop.plc.raw_span
    shown = {
        "gauge_output": 4.0 + 0.16 * percent, "loop_current": 4.0 + 0.16 * percent,
        "ai_raw": raw.low + percent / 100.0 * (raw.high - raw.low), "plc_flow": percent / 100.0 * high,
    }  # fmt: skip
    for role, value in shown.items():
        live.readings[LOOP, role] = Reading(loop=LOOP, role=role, value=value, quality=GOOD, receive_time=plant.NOW)


async def token_of(served: Kept) -> str:
    found = re.search(r'name="token" value="([^"]+)"', (await served.get(PAGE)).text)
    assert found is not None
    return found.group(1)


async def step(served: Kept, **fields: str) -> str:
    """One press of a button; where it leads to."""
    answer = await served.post(PAGE, data={"token": await token_of(served), **fields})
    assert answer.status_code in (303, 422, 200), answer.text
    return str(answer.headers.get("location", "")) if answer.status_code == 303 else answer.text


BEGIN = {
    "step": "begin",
    "method": "calibrator",
    "name": "R. Ortega",
    "points": "0,50,100",
    "walks": "1",
    "uncertainty": "0.01",
}


async def test_check_fails_as_found_passes_as_left_and_becomes_a_record(served: Kept) -> None:
    text = (await served.get(PAGE)).text
    assert CAUTIONS[0][:30] in text
    assert await step(served, **BEGIN) == PAGE
    high = served.live.site.loops[LOOP].gauge.range.high
    for percent in (0.0, 50.0, 100.0, 50.0, 0.0):
        show(served.live, percent, 0.9 * high)
        assert await step(served, step="capture") == PAGE
    text = (await served.get(PAGE)).text
    assert "As found: differs" in text
    assert "-10.000" in text
    await step(
        served,
        step="adjust",
        side="plc",
        setting="range at 20 mA",
        unit="t/h",
        before=f"{0.9 * high}",
        after=f"{high}",
        reason="wrong",
    )
    await step(served, step="again")
    for percent in (0.0, 50.0, 100.0, 50.0, 0.0):
        show(served.live, percent, high)
        await step(served, step="capture")
    assert "As left: agrees" in (await served.get(PAGE)).text
    assert await step(served, step="finish") == "/records/1"
    record = served.book.find(1)
    assert record is not None
    assert record.kind == "loop check"
    assert "Begin" in (await served.get(PAGE)).text


async def test_check_goes_on_after_a_restart_of_the_service(served: Kept, tmp_path: Path) -> None:
    await step(served, **BEGIN)
    show(served.live, 0.0, 420.0)
    await step(served, step="capture")
    state = StateDb(tmp_path / "other.db")
    again = served_from(served.folder, state)
    body = (await again.get(REST)).json()
    state.close()
    assert (body["stage"], body["point"], body["points"], body["aim"], body["unit"]) == ("as found", 2, 5, 12.0, "mA")


async def test_what_moves_is_told_and_taken_only_when_asked(served: Kept) -> None:
    await step(served, **BEGIN)
    show(served.live, 0.0, 420.0)
    del served.live.readings[LOOP, "plc_flow"]
    for role in ("loop_current", "ai_raw"):
        served.live.readings.pop((LOOP, role), None)
    text = await step(served, step="capture")
    assert "It does not stand still yet" in text
    assert (await served.get(REST)).json()["point"] == 1


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({**BEGIN, "name": ""}, "a name is missing"),
        ({**BEGIN, "points": "soon"}, "no numbers"),
        ({**BEGIN, "points": "100,0"}, "do not go up"),
        ({**BEGIN, "walks": "99"}, "walks are 1 to 10"),
        ({**BEGIN, "method": "magic"}, "method is missing"),
        ({"step": "capture"}, "no loop check"),
        ({"step": "dance"}, "not known"),
    ],
)
async def test_wrong_steps_are_told_on_the_page(served: Kept, fields: dict[str, str], says: str) -> None:
    text = await step(served, **fields)
    assert says in text


async def test_form_without_its_token_is_refused(served: Kept) -> None:
    assert (await served.post(PAGE, data={**BEGIN, "token": "none"})).status_code == 403
    assert (await served.get("/loops/TB-99/check")).status_code == 404


async def test_rest_walks_the_same_way(served: Kept) -> None:
    assert (await served.get(REST)).json()["stage"] == "none"
    began = await served.post(REST, json=BEGIN)
    assert began.status_code == 200
    show(served.live, 0.0, 420.0)
    taken = await served.post(REST, json={"step": "capture", "current": "4.002"})
    assert taken.json()["point"] == 2
    refused = await served.post(f"{REST}/finish")
    assert refused.status_code == 422
    assert "not complete" in refused.text
    await served.post(REST, json={"step": "give-up"})
    assert (await served.get(REST)).json()["stage"] == "none"


async def test_check_that_was_made_elsewhere_is_numbered(served: Kept) -> None:
    answer = await served.post("/api/v1/loop-checks", json=example())
    assert answer.status_code == 201
    assert answer.json()["number"] == 1
    broken = example()
    broken["as_found"]["lines"][0]["error"] = 5.0
    assert (await served.post("/api/v1/loop-checks", json=broken)).status_code == 422
