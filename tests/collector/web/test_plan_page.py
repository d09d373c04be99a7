"""The plan of commissioning and the inventory of the sources, on pages and over REST, against numbers from elsewhere."""

from __future__ import annotations

import html
import re
from dataclasses import replace

import pytest

from collector.clock import ManualClock
from collector.commissioning.plan import make_plan, text
from collector.web.app import create_app
from config.cautions import CAUTIONS
from tests.collector.web import plant, weighed
from tests.collector.web.conftest import Serve, Served

PLAN = "/loops/TB-07/plan"


@pytest.fixture(scope="module")
def served() -> Served:
    """One application for all: nothing is stored."""
    live, desk, store, clock = (
        replace(plant.healthy(), site=weighed.site()),
        plant.MemoryDesk(),
        plant.MemoryStore(),
        ManualClock(plant.NOW),
    )
    return Served(create_app(live, store, desk, clock, port=8460), live, desk, store, clock)


def plain(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


async def test_plan_on_the_page_is_that_of_the_terminal(served: Served) -> None:
    day = "2026-03-02"
    shown = plain((await served.get(f"{PLAN}?day={day}")).text)
    plan = make_plan(weighed.site(), "TB-07", 1_772_409_600.0)
    told = " ".join(text(plan).split())
    for figure in re.findall(r"\d[\d,]*\.\d+|\d{4}-\d{2}-\d{2}", told):
        assert figure in shown, figure
    for caution in CAUTIONS:
        assert caution in shown


async def test_plan_shows_the_published_rules_with_their_source(served: Served) -> None:
    shown = plain((await served.get(PLAN)).text)
    for rule in (
        "10 min of operation (NIST Handbook 44, from memory)", "800 digits of the total (NIST Handbook 44, from memory)",
        "2 % of an hour at full flow (OIML R 50, from memory)", "3 turns of the belt (common practice, no source)",
    ):  # fmt: skip
        assert rule in shown
    # 2 % of an hour at full flow: 420 t/h * 0.02 = 8.4 t, at half load 210 t/h that are 144 s.
    told = (await served.get("/api/v1/loops/TB-07/plan")).json()
    half = next(item for item in told["spans"] if item["load"] == 0.5)
    assert {item["rule"][:8]: item["seconds"] for item in half["run"]["beside"]}["2 % of a"] == pytest.approx(144.0)


async def test_plan_over_rest_decays_by_the_half_life(served: Served) -> None:
    """Cs-137 halves in 30.08 a (ENSDF, as config.nuclides names it): a year leaves 2^(-1/30.08) = 0.97722."""
    told = (await served.get("/api/v1/loops/TB-07/plan?day=2026-03-02")).json()
    year = next(row for row in told["decay"] if row["day"] == "2027-03-01")
    assert year["left"] == pytest.approx(2 ** (-364 / 365.25 / 30.08), abs=2e-4)
    half = next(row for row in told["points"] if row["percent"] == 50.0)
    assert (half["current"], half["flow"]) == (12.0, 210.0)
    assert told["cautions"] == list(CAUTIONS)


async def test_wishes_change_the_plan(served: Served) -> None:
    told = (await served.get("/api/v1/loops/TB-07/plan?uncertainty=1%20t/h&span=0.5&noise=9%20t/h")).json()
    assert (told["wanted"], told["wanted_span"], told["noise_limit"]) == (1.0, 0.5, 9.0)
    assert told["tare"]["uncertainty"] <= 1.0


@pytest.mark.parametrize(
    "query", ["day=soon", "day=3000-01-01", "uncertainty=2", "uncertainty=0%20t/h", "span=0", "span=x", "noise=-1%20t/h"]
)
async def test_wishes_that_cannot_be_are_told_beside_the_usual_plan(served: Served, query: str) -> None:
    page = await served.get(f"{PLAN}?{query}")
    assert page.status_code == 422
    assert "Below stands the usual plan." in page.text
    assert "Count rates to expect" in page.text
    refused = await served.get(f"/api/v1/loops/TB-07/plan?{query}")
    assert refused.status_code == 422
    assert refused.json()["fix"]


async def test_loop_that_lacks_something_says_what(served: Served) -> None:
    page = await served.get("/loops/TB-08/plan")
    assert page.status_code == 200
    assert "gauge.empty_belt_rate" in page.text
    assert (await served.get("/api/v1/loops/TB-08/plan")).status_code == 409
    lines = {row["loop"]: row for row in (await served.get("/api/v1/plans")).json()}
    assert "gauge.empty_belt_rate" in lines["TB-08"]["lacks"]
    assert lines["TB-07"]["lacks"] == ""
    listed = plain((await served.get("/plan")).text)
    assert "3 turns" in listed
    assert "gauge.empty_belt_rate" in listed


async def test_sources_are_told_with_what_is_left_and_what_is_due(served: Served) -> None:
    """1.85 GBq on 2024-02-20; on 2026-03-02, 741 d later, 2^(-741/10987) = 0.9543 of it are left, 1.77 GBq."""
    shown = plain((await served.get("/sources?day=2026-03-02")).text)
    for part in (
        "Radiation sources: 1 thing overdue", "PT-0712", "1.85 GBq, 2024-02-20", "1.77 GBq (95.4 %)", "2026-02-20, overdue by 10 d",
        "2026-03-20, in 18 d", "No source is declared for TB-08 , TB-09",
    ):  # fmt: skip
        assert part in shown
    for caution in CAUTIONS:
        assert caution in shown
    told = (await served.get("/api/v1/sources?day=2026-03-02")).json()
    assert told["without"] == ["TB-08", "TB-09"]
    assert told["sources"][0]["left"] == pytest.approx(2 ** (-741 / 30.08 / 365.25), abs=2e-4)
    assert [due["overdue"] for due in told["sources"][0]["dues"]] == [True, False]


async def test_sources_of_a_day_that_is_none(served: Served) -> None:
    assert (await served.get("/sources?day=soon")).status_code == 422
    assert (await served.get("/api/v1/sources?day=soon")).status_code == 422


async def test_site_without_sources_says_how_to_declare_one(serve: Serve) -> None:
    assert "No source is declared yet" in (await serve(plant.healthy()).get("/sources")).text


async def test_reminder_that_has_passed_shows_on_the_site_page(served: Served) -> None:
    assert "1 overdue" in (await served.get("/")).text


async def test_pages_are_found_from_site_and_loop(serve: Serve) -> None:
    served = serve(plant.healthy())
    site, loop = (await served.get("/")).text, (await served.get("/loops/TB-07")).text
    for link in ("/plan", "/sources", "/init"):
        assert f'href="{link}"' in site
    for link in ("/loops/TB-07/plan", "/loops/TB-07/calibration", "/loops/TB-07/check"):
        assert f'href="{link}"' in loop
