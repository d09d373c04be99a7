"""The pages of the tonnes, their files, REST, closing and restating."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import jsonschema
import pytest
from fastapi import FastAPI

from checks.accounting.bridge import Step, bridge
from checks.reliability.timeline import LoopState
from collector.clock import ManualClock
from collector.web import bridge_plot, totals_page
from collector.web.app import create_app
from tests.collector.accounts import site
from tests.collector.accounts.histories import Kept, noted
from tests.collector.web import plant
from tests.collector.web.conftest import BASE, Serve

DAY = "kind=day&period=2026-02-27"


@dataclass
class Shown:
    """The application, and the history under it."""

    app: FastAPI
    store: Kept

    async def ask(self, method: str, path: str, **sent: Any) -> httpx.Response:
        transport = httpx.ASGITransport(app=self.app, raise_app_exceptions=False)
        headers = {"Accept": "text/html"} | ({"Origin": BASE} if method == "POST" else {})
        async with httpx.AsyncClient(transport=transport, base_url=BASE, headers=headers) as client:
            return await client.request(method, path, **sent)

    async def get(self, path: str) -> httpx.Response:
        return await self.ask("GET", path)

    async def form(self, path: str, **fields: str) -> httpx.Response:
        return await self.ask("POST", path, data={"token": self.app.state.guard.token, **fields})


@pytest.fixture
def shown(tmp_path: Path) -> Shown:
    store = site.history()
    return Shown(site.application(plant.healthy(float(site.NOW)), tmp_path, ManualClock(float(site.NOW)), store), store)


async def test_the_site_shows_the_worst_loop_first_and_keeps_the_two_statements_apart(shown: Shown) -> None:
    answer = await shown.get(f"/totals?{DAY}")
    assert answer.status_code == 200
    text = answer.text
    assert text.index("/loops/TB-07/totals") < text.index("/loops/TB-08/totals") < text.index("/loops/TB-09/totals")
    assert "1 of 3 loops agrees; TB-07 booked other tonnes than the gauge; 1 not evaluated." in text
    assert "This is a statement about the loop" in text
    assert "Whether the tonnes are right is not evaluated" in text
    assert 'title="2026-02-27 12:00:00 UTC"' in text


async def test_a_loop_shows_rows_bridge_table_and_sentence(shown: Shown) -> None:
    text = (await shown.get(f"/loops/TB-07/totals?{DAY}")).text
    assert "The loop does not agree: the PLC booked 4\N{NARROW NO-BREAK SPACE}838.4 t" in text
    for words in (
        "By shift",
        "not explained",
        "upper range differs",
        "stale tare",
        "What creeps",
        "Close 2026-02-27",
        'role="img"',
    ):
        assert words in text
    assert text.count("<figcaption>Of the difference of") == 1


@pytest.mark.parametrize(
    "query", ["", "kind=shift", "kind=month", "kind=shift&day=2026-02-27&shift=14:00", "from=2026-02-24&to=2026-03-03&by=shift"]
)
@pytest.mark.parametrize("path", ["/totals", "/loops/TB-07/totals", "/loops/TB-09/totals"])
async def test_every_period_has_its_page(shown: Shown, path: str, query: str) -> None:
    assert (await shown.get(f"{path}?{query}")).status_code == 200


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("kind=year", 422), ("kind=day&period=x", 422), ("kind=month&period=2026-13", 422), ("kind=day&period=2999-01-01", 422),
        ("from=2026-03-02", 422), ("from=2026-03-02&to=2026-03-02", 422), ("from=2020-01-01&to=2026-01-01&by=shift", 422),
        ("from=2026-03-03&to=2026-03-02", 422), ("kind=shift&period=2026-02-27 07:00", 422),
    ],
)  # fmt: skip
@pytest.mark.parametrize("path", ["/totals", "/totals.csv", "/api/v1/totals"])
async def test_a_time_that_does_not_fit_is_refused(shown: Shown, path: str, query: str, status: int) -> None:
    assert (await shown.get(f"{path}?{query}")).status_code == status


@pytest.mark.parametrize("path", ["/loops/TB-99/totals", "/loops/TB-99/totals.csv", "/api/v1/loops/TB-99/totals"])
async def test_a_loop_that_is_not_there_is_404(shown: Shown, path: str) -> None:
    assert (await shown.get(path)).status_code == 404


async def test_the_file_has_a_row_a_shift(shown: Shown) -> None:
    answer = await shown.get(f"/loops/TB-07/totals.csv?{DAY}")
    assert answer.headers["content-type"].startswith("text/csv")
    assert "totals-TB-07-2026-02-27.csv" in answer.headers["content-disposition"]
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["from"] for row in rows] == [f"2026-02-27T{hour}:00:00-06:00" for hour in ("06", "14", "22")]
    assert sum(float(row["best_t"]) for row in rows) == pytest.approx(5760.0, abs=0.01)
    assert rows[0]["stand_in_plc_total_h"] == "1.0000"


@pytest.mark.parametrize("path", ["/totals", "/loops/TB-07/totals", "/loops/TB-09/totals"])
async def test_rest_keeps_to_its_published_schema(shown: Shown, path: str) -> None:
    document = (await shown.get("/api/openapi.json")).json()
    route = "/api/v1" + path.replace("TB-07", "{loop}").replace("TB-09", "{loop}")
    schema = document["paths"][route]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
    found = (await shown.get(f"/api/v1{path}?kind=month")).json()
    jsonschema.validate(found, {**schema, "components": document["components"]}, cls=jsonschema.Draft202012Validator)


async def test_rest_says_what_the_page_shows(shown: Shown) -> None:
    (found,) = (await shown.get(f"/api/v1/loops/TB-07/totals?{DAY}")).json()["loops"]
    assert (found["verdict"], found["weight_verdict"]) == ("fault", "not_evaluated")
    assert found["total"]["begin"] == "2026-02-27T12:00:00Z"
    assert found["bridge"]["difference_t"] == pytest.approx(-921.6)
    assert sum(step["tonnes"] for step in found["bridge"]["by_cause"]) == pytest.approx(-921.6)
    assert (found["basis"], found["dry_t"], found["closed"]) == ("wet", None, None)
    assert [gap["method"] for gap in found["not_measured"]] == ["PLC total"]


async def test_closing_and_restating_by_forms(shown: Shown) -> None:
    closing = {"loop": "TB-07", "kind": "day", "period": "2026-02-27", "name": "K. Weber <b>", "reason": ""}
    answer = await shown.form(f"/totals/close?{DAY}", **closing)
    assert (answer.status_code, answer.headers["location"]) == (303, "/records/1")
    page = (await shown.get(f"/loops/TB-07/totals?{DAY}")).text
    assert "K. Weber &lt;b&gt;" in page
    assert "The history still says the same." in page
    again = await shown.form(f"/totals/close?{DAY}", **closing)
    assert again.status_code == 422
    assert "is closed already, by record 1" in again.text
    shown.store.annotate(noted(site.FAULT + 86400, site.FAULT + 90000, LoopState.NOT_MEASURING))
    restated = {"loop": "TB-07", "number": "1", "name": "R. Ortega", "reason": "shutter was closed"}
    answer = await shown.form(f"/totals/restate?{DAY}", **restated)
    assert (answer.status_code, answer.headers["location"]) == (303, "/records/2")
    page = (await shown.get(f"/loops/TB-07/totals?{DAY}")).text
    assert 'restates <a href="/records/1">record 1</a>: shutter was closed' in page
    assert (await shown.get("/records/1")).status_code == 200


async def test_all_loops_are_closed_by_one_form(shown: Shown) -> None:
    answer = await shown.form(f"/totals/close?{DAY}", loop="", kind="day", period="2026-02-27", name="K. Weber")
    assert (answer.status_code, answer.headers["location"]) == (303, f"/totals?{DAY}")
    assert "record 2" in (await shown.get(f"/totals?{DAY}")).text


@pytest.mark.parametrize(
    "changed", [{"name": " "}, {"kind": "year"}, {"period": "2026-03-03"}, {"period": "x"}, {"token": "old"}, {"loop": "TB-99"}]
)
async def test_a_closing_that_does_not_fit_is_refused(shown: Shown, changed: dict[str, str]) -> None:
    sent = {"loop": "TB-07", "kind": "day", "period": "2026-02-27", "name": "K. Weber"} | changed
    answer = await shown.form(f"/totals/close?{DAY}", **sent)
    assert answer.status_code == {"token": 403, "loop": 404}.get(next(iter(changed)), 422)


@pytest.mark.parametrize("changed", [{"number": "7"}, {"number": "x"}, {"reason": ""}, {"name": ""}])
async def test_a_restatement_that_does_not_fit_is_refused(shown: Shown, changed: dict[str, str]) -> None:
    sent = {"loop": "TB-07", "number": "1", "name": "R. Ortega", "reason": "because"} | changed
    answer = await shown.form(f"/totals/restate?{DAY}", **sent)
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text


async def test_closing_and_restating_by_rest(shown: Shown) -> None:
    body = {"kind": "shift", "period": "2026-02-27 06:00", "by": "K. Weber"}
    answer = await shown.ask("POST", "/api/v1/loops/TB-07/totals/close", json=body)
    assert answer.status_code == 201
    made = answer.json()
    assert (made["record"], made["restates"], made["by"], made["versions"]) == (1, None, "K. Weber", 1)
    assert made["best_t"] == pytest.approx(1920.0)
    assert (await shown.ask("POST", "/api/v1/loops/TB-07/totals/close", json=body)).status_code == 409
    because = {"by": "R. Ortega", "reason": "shutter was closed"}
    assert (await shown.ask("POST", "/api/v1/accounts/1/restate", json=because)).status_code == 409
    shown.store.annotate(noted(site.FAULT + 86400, site.FAULT + 90000, LoopState.NOT_MEASURING))
    answer = await shown.ask("POST", "/api/v1/accounts/1/restate", json=because)
    assert answer.status_code == 201
    assert (answer.json()["record"], answer.json()["restates"], answer.json()["versions"]) == (2, 1, 2)
    assert (await shown.ask("POST", "/api/v1/accounts/9/restate", json=because)).status_code == 404
    assert (await shown.ask("POST", "/api/v1/accounts/1/restate", json={"by": " ", "reason": "x"})).status_code == 422
    found = (await shown.get("/api/v1/loops/TB-07/totals?kind=shift&period=2026-02-27 06:00")).json()["loops"][0]
    assert found["closed"]["record"] == 2


async def test_without_a_history_the_page_says_so(serve: Serve) -> None:
    assert (await serve(plant.healthy(), history=False).get("/totals")).status_code == 503


async def test_an_empty_history_shows_empty_pages(tmp_path: Path) -> None:
    clock = ManualClock(float(site.NOW))
    app = create_app(plant.healthy(float(site.NOW)), Kept(), plant.MemoryDesk(), clock, port=8460)
    shown = Shown(app, Kept())
    for path in ("/totals?kind=month", "/loops/TB-07/totals"):
        answer = await shown.get(path)
        assert answer.status_code == 200
        assert "no value" in answer.text
        assert "Close " not in answer.text
    assert (await shown.get("/api/v1/totals")).json()["loops"][0]["total"]["best_t"] is None


async def test_pages_lead_to_the_tonnes(shown: Shown) -> None:
    assert 'href="/totals"' in (await shown.get("/")).text
    assert 'href="/loops/TB-07/totals"' in (await shown.get("/loops/TB-07")).text


def test_the_picture_joins_every_row_and_keeps_inside() -> None:
    found = bridge(1030.0, 1000.0, [Step(name="a", tonnes=45.0, uncertainty=2.0), Step(name="b", tonnes=-20.0)], {})
    picture = bridge_plot.draw(found, 4.0)
    assert [bar.name for bar in picture.bars] == ["PLC total", "a", "b", "not explained", "best estimate"]
    assert [bar.css for bar in picture.bars] == ["total", "high", "low", "rest", "total"]
    assert len(picture.joints) == len(picture.bars) - 1
    scale = picture.bars[1].width / 45.0  # lengths are in proportion to the tonnes
    assert picture.bars[2].width == pytest.approx(20.0 * scale, abs=0.2)
    assert all(0.0 <= bar.x <= bridge_plot.WIDTH and bar.x + bar.width <= bridge_plot.WIDTH for bar in picture.bars)
    assert picture.bars[-1].x == pytest.approx(picture.joints[-1][0])


async def test_many_loops_come_some_at_a_time_and_can_be_found(shown: Shown, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(totals_page, "LOOPS_A_PAGE", 1)
    first, second = (await shown.get("/totals?kind=day&page=1")).text, (await shown.get("/totals?kind=day&page=2")).text
    assert "Loops 1 to 1 of" in first
    assert "next page" in first
    assert "previous page" in second
    named = [set(re.findall(r'href="/loops/([^/"]+)/totals', text)) for text in (first, second)]
    assert all(len(loops) == 1 for loops in named)
    assert not named[0] & named[1]
    (one,) = named[1]
    found = (await shown.get(f"/totals?find={one.lower()}")).text
    assert f'href="/loops/{one}/totals' in found
    assert (await shown.get("/totals?find=nothing-like-that")).status_code == 404
    assert len((await shown.get("/api/v1/totals?kind=day")).json()["loops"]) == 1
